"""`python -m replay` is the `plumbline` command."""

import sys

from replay.cli import main

sys.exit(main())
