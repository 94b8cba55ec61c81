"""The units of characteristics."""

from qc.catalog.catalog import Catalog

# of what is computed; any other characteristic has its unit in the catalog
_UNITS = {
    "bare-mass": "g",
    "tir-lateral": "mm",
    "tir-radial": "mm",
    "form-lateral": "mm",
    "form-radial": "mm",
    "unbalance": "g·mm",
    "findings-per-part": "findings",
    "survived-multiple": "× standard impact",
}


def unit(catalog: Catalog, characteristic: str) -> str:
    """The unit of a characteristic's numbers, empty where nobody said."""
    entry = catalog.characteristic(characteristic)
    return _UNITS.get(characteristic) or (entry.unit if entry else "")
