"""`python -m qc` is `rimqc`."""

import sys

from qc.commands import main

sys.exit(main())
