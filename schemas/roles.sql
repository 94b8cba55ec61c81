-- Who may do what in PostgreSQL. Three users, none of whom can do more than their work:
--
--   owner    owns the tables; `rimqc upgrade`, `restore` and `rebuild` run as it, nothing else
--   server   what `rimqc serve`, `import` and `backup` run as: it adds to the journal, its seals
--            and identities, and can neither change nor empty them, nor touch their triggers
--   reader   reads all but accounts, sessions and tokens: replicas, reports, `rimqc verify`
--
-- Run it as a superuser, in the database itself, once when it is made and again after every
-- `rimqc upgrade` (new tables belong to nobody else before):
--
--   psql --dbname rims --file roles.sql
--   psql --dbname rims --set owner=rims_owner --set server=rims_server --set reader=rims_reader …
--
-- It sets no passwords: `\password rimqc_server`, or let pg_hba.conf ask for certificates. On a new
-- database: this script, `rimqc upgrade` as the owner, this script again.

\set ON_ERROR_STOP on
\if :{?owner} \else \set owner rimqc_owner \endif
\if :{?server} \else \set server rimqc_server \endif
\if :{?reader} \else \set reader rimqc_reader \endif
BEGIN;

SELECT format('CREATE ROLE %I LOGIN', name) FROM unnest(ARRAY[:'owner', :'server', :'reader']) name
WHERE NOT EXISTS (SELECT FROM pg_roles WHERE rolname = name) \gexec

-- the place: whoever comes in by no grant of these may not even connect
SELECT format('REVOKE ALL ON DATABASE %I FROM PUBLIC', current_database()) \gexec
SELECT format('GRANT CONNECT ON DATABASE %I TO %I', current_database(), name)
FROM unnest(ARRAY[:'owner', :'server', :'reader']) name \gexec
REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT USAGE, CREATE ON SCHEMA public TO :"owner";
GRANT USAGE ON SCHEMA public TO :"server", :"reader";

-- everything belongs to the owner, and nothing is left of what was granted before
SELECT format('ALTER %s public.%I OWNER TO %I',
              CASE relkind WHEN 'S' THEN 'SEQUENCE' ELSE 'TABLE' END, relname, :'owner')
FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p', 'S')
-- a sequence of a table's own goes with it
ORDER BY relkind = 'S' \gexec
SELECT format('ALTER FUNCTION %s OWNER TO %I', oid::regprocedure, :'owner')
FROM pg_proc WHERE pronamespace = 'public'::regnamespace AND proname LIKE 'rimqc%' \gexec
REVOKE ALL ON ALL TABLES IN SCHEMA public FROM PUBLIC, :"server", :"reader";
REVOKE ALL ON ALL SEQUENCES IN SCHEMA public FROM PUBLIC, :"server", :"reader";
REVOKE ALL ON ALL FUNCTIONS IN SCHEMA public FROM PUBLIC, :"server", :"reader";
-- the journal's next month is begun by its first record, with the owner's rights
SELECT format('GRANT EXECUTE ON FUNCTION %s TO %I', oid::regprocedure, :'server')
FROM pg_proc WHERE pronamespace = 'public'::regnamespace AND proname = 'rimqc_open_month' \gexec

-- the journal, its seals and identities grow and never change, in whatever tables their rows lie
CREATE TEMP VIEW truth AS
WITH RECURSIVE part(oid) AS (
    SELECT c.oid FROM pg_class c
    WHERE c.relnamespace = 'public'::regnamespace AND c.relname IN ('journal', 'seal', 'identity')
    UNION ALL SELECT inhrelid FROM pg_inherits JOIN part ON inhparent = part.oid)
SELECT oid FROM part;
SELECT format('GRANT SELECT, INSERT ON %s TO %I', oid::regclass, :'server') FROM truth \gexec

-- where the journal ends is moved on, and never taken away
SELECT format('GRANT SELECT, INSERT, UPDATE ON head TO %I', :'server')
WHERE to_regclass('public.head') IS NOT NULL \gexec
SELECT format('GRANT SELECT ON alembic_version TO %I', :'server')
WHERE to_regclass('public.alembic_version') IS NOT NULL \gexec

-- all else follows from the journal, or is of people and their sessions
SELECT format('GRANT SELECT, INSERT, UPDATE, DELETE ON %s TO %I', oid::regclass, :'server')
FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')
AND relname NOT IN ('head', 'alembic_version') AND oid NOT IN (SELECT oid FROM truth) \gexec
GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO :"server";

-- secrets are hashed, and yet nothing that whoever makes reports needs
SELECT format('GRANT SELECT ON %s TO %I', oid::regclass, :'reader')
FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')
AND relname NOT IN ('account', 'session', 'station_token', 'gauge_grant', 'sign_in_failure',
                    'one_time_code') \gexec

DROP VIEW truth;
COMMIT;
