"""``python -m tests``: style, types and the whole test suite, in this order, as the README and the build do.

Where Qt's system libraries are missing (a bare Linux), the tests of the window are left out and that is said; with
``CI`` set in the environment they are never left out.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def _qt_problem() -> str:
    """Why Qt cannot be loaded, or an empty string."""
    code = "import PySide6.QtWidgets"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    return done.stderr.strip().splitlines()[-1] if done.returncode else ""


def main() -> int:
    """Run everything; the exit code is that of the first part that fails."""
    environment = {**os.environ, "QT_QPA_PLATFORM": os.environ.get("QT_QPA_PLATFORM", "offscreen")}
    pytest = ["pytest", "-q", "-n", str(max(2, min(os.cpu_count() or 2, 8))), *sys.argv[1:]]
    problem = _qt_problem()
    if problem and not os.environ.get("CI"):
        print(f"tests of the window are left out: {problem} (DEVELOPERS.md names the packages)", flush=True)
        pytest += ["-p", "no:pytest-qt", "-o", "qt_api=", "--ignore=tests/desktop"]
    for words in (["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"], pytest):
        code = subprocess.run([sys.executable, "-m", *words], cwd=ROOT, env=environment, check=False).returncode
        if code:
            return code
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
