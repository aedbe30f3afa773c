"""
How long the audit pack of a year takes: 500 batches, 50,000 weighings, three rule books each.

Run by hand: ``python tests/benchmarks/bench_pack.py``. Bounds: built under 30 s (page, PDF,
workbook and zip), under 1 GB, the page under 15 MB; verified under 10 s, verdicts and all.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from year_works import make_year

import qa_tools as qa


def main() -> None:
    """Make the works, build, verify; print what each took."""
    with tempfile.TemporaryDirectory() as temporary:
        home = Path(temporary)
        make_year(home / "works")
        start = time.perf_counter()
        works = qa.read_works(home / "works")
        taken = time.perf_counter() - start
        print(f"read      {taken:5.1f} s  {len(works.weighings.table)} weighings")
        start = time.perf_counter()
        built = qa.evidence.build(works, None, None, home / "pack")
        print(f"build     {time.perf_counter() - start:5.1f} s")
        page = (built.folder / "evidence.html").stat().st_size
        print(f"page      {page / 1e6:5.1f} MB, zip {built.zip.stat().st_size / 1e6:.1f} MB")
        for form in (built.folder, built.zip):
            start = time.perf_counter()
            found = qa.evidence.verify(form, built.seal)
            kind = "zip" if form.is_file() else "folder"
            print(f"verify    {time.perf_counter() - start:5.1f} s  {kind}, ok: {found.ok}")
        start = time.perf_counter()
        works.log_readings()
        print(f"log       {time.perf_counter() - start:5.1f} s")
        start = time.perf_counter()
        works.changes()
        print(f"changes   {time.perf_counter() - start:5.1f} s")
    if sys.platform != "win32":
        import resource

        print(f"peak      {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:5.0f} MB")


if __name__ == "__main__":
    main()
