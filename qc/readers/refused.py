"""Refused lines, written back out as a file that can be mended and imported again.

An unmended line is refused again: what could not be read is written as it stood, byte for byte.
"""

import csv
import json
import os
from collections import Counter
from collections.abc import Iterable, Iterator
from hashlib import sha256
from io import StringIO
from json.decoder import WHITESPACE  # type: ignore[attr-defined]
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from qc.readers.folder import CSV_FORMS, bare_name, log_form
from qc.readers.lines import Log
from qc.readers.refusal import REFUSED_BECAUSE, FileError, encoded
from qc.readers.text import BOM

_MARK = ".refused"
