"""The worked example of the README, run as it stands there: no window, no command, only the public Python calls."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def example():
    """The block of Python under the heading."""
    return re.search(r"## From Python\n.*?```python\n(.*?)```", README, re.DOTALL)[1]


def test_the_worked_example_runs_and_says_what_the_readme_says(tmp_path, monkeypatch, capsys):
    """Every line of it; the printed numbers are those in the comments beside them, and the files are there."""
    pytest.importorskip("pyarrow")
    code = example().replace('"sample_logs/', f'"{(ROOT / "sample_logs").as_posix()}/')
    assert "sample_logs" in example()
    monkeypatch.chdir(tmp_path)
    exec(compile(code, "README.md", "exec"), {})  # the README's own lines
    said = [line.strip() for line in capsys.readouterr().out.splitlines()]
    promised = re.findall(r"print\(.*\)\s+# (.+)", code)
    assert len(promised) >= 3
    assert said[: len(promised)] == promised
    assert {"estimate.parquet", "events.csv", "overview.pdf"} <= {path.name for path in tmp_path.iterdir()}
