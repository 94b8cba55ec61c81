"""Marks by which a few parts are found among all, each with an index of its own.

Text of the query, not a parameter, so that the databases see that the index fits; and without a
type, for to what is known as true or false SQLite would be told "= 1", which fits no index.
"""

from sqlalchemy import ColumnElement, literal_column

# somebody's decision is still to come: held by name, in rework or repaired, and not given up
WAITS: ColumnElement[bool] = literal_column(
    """standing NOT LIKE '{"held":"","rework":false,"repair":false,%' """
    """AND standing LIKE '%"scrapped":false,"sent_back":false,%'"""
)

# the entries of the catalog, few among millions of records
IN_CATALOG: ColumnElement[bool] = literal_column("kind = 'catalog'")

# out there though something of its own ought to have kept it
OUT: ColumnElement[bool] = literal_column(
    """standing LIKE '%"shipped":true,"returned":false,%' AND NOT """
    """(standing LIKE '{"held":"","rework":false,"repair":false,"scrapped":false,"sent_back":"""
    """false,%' AND standing LIKE '%"struck":false,"shipped":true,%' """
    """AND standing LIKE '%,"missing":[],"critical":[]}')"""
)
