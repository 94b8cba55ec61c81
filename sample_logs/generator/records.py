"""A record as a plain mapping, numbers as decimals of a gauge's resolution."""

import datetime as dt
import random
import uuid
from decimal import Decimal
from typing import Any

Record = dict[str, Any]


def record(kind: str, at: dt.datetime, station: str, inspector: str, **fields: Any) -> Record:
    """A record of this kind; fields that are None are left out."""
    given = {name: value for name, value in fields.items() if value is not None}
    return {"kind": kind, "taken_at": at, "station": station, "inspector": inspector, **given}


def read(value: float, resolution: str) -> Decimal:
    """What a gauge of this resolution shows."""
    step = Decimal(resolution)
    return (Decimal(value) / step).quantize(Decimal(1)) * step


def with_id(rng: random.Random, made: Record) -> Record:
    """The record with an identity made at the station."""
    return {"record_id": str(uuid.UUID(int=rng.getrandbits(128), version=4)), **made}
