"""Everything that is checked, in one go: lint, types, tests, doctests, notebooks."""

from __future__ import annotations

import subprocess
import sys
import time

PYTEST = [sys.executable, "-P", "-m", "pytest", "-q"]
STEPS = {
    "lint": [sys.executable, "-m", "ruff", "check", "."],
    "format": [sys.executable, "-m", "ruff", "format", "--check", "."],
    "types": [sys.executable, "-m", "mypy"],
    # The installed package is tested, not this checkout: hence -P and --pyargs.
    "tests": [*PYTEST, "-n", "2", "tests"],
    "doctests": [*PYTEST, "--doctest-modules", "--pyargs", "qa_tools"],
    "notebooks": [*PYTEST, "--nbval", "notebooks"],
}


def main(wanted: list[str]) -> int:
    """Run the steps asked for, or all; say how each went; fail when one failed."""
    failed = []
    for name in wanted or STEPS:
        start = time.monotonic()
        code = subprocess.run(STEPS[name], check=False).returncode
        print(f"-- {name}: {'ok' if code == 0 else 'FAILED'}, {time.monotonic() - start:.0f} s\n")
        failed += [name] if code else []
    print(f"failed: {', '.join(failed)}" if failed else "all steps ok")
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
