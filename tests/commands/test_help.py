"""What asking a command for help costs."""

import os
import subprocess
import sys

import pytest

from replay.cli import COMMANDS

HEAVY = ("numpy", "numba", "scipy", "pandas", "matplotlib", "PySide6", "pyqtgraph", "msgspec", "av", "pyarrow")


@pytest.mark.parametrize("command", [(), *((name,) for name in COMMANDS)], ids=lambda command: command[0] if command else "plumbline")
def test_help_is_made_of_text_alone(command):
    """Each `--help` answers without loading arrays, compiled loops, plots or Qt: what keeps it below 0.3 s on a quiet machine."""
    code = (
        "import sys, replay.cli\n"
        f"try: replay.cli.main([*{command!r}, '--help'])\n"
        "except SystemExit as end: assert end.code == 0\n"
        f"print('loaded', sorted({{name.split('.')[0] for name in sys.modules}} & set({HEAVY!r})))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=os.environ | {"COLUMNS": "100"})
    assert done.stdout.startswith(f"usage: {' '.join(('plumbline', *command))}")
    assert done.stdout.splitlines()[-1] == "loaded []"
