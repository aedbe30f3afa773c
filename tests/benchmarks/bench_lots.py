"""
How long ten million weighings in lots of 12 take to judge, beside the engine's own group-by.

Run by hand: ``python tests/benchmarks/bench_lots.py [WEIGHINGS]``. The weighings are read from
Parquet, once by Polars and once by DuckDB. The bare group-by makes the same aggregates. The aim is
at most 1.5 times its time for one book, and at most 3 times for four books in one pass.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

import qa_tools as qa

PER_LOT = 12
BOOKS = ["ca-crc-417", "eu-76-211", "uk-2006-659", "us-hb133"]


def write(path: Path, rows: int) -> None:
    """Weighings of 120 g bars to a tenth of a gram, in lots of 12 out of 108."""
    rng = np.random.default_rng(20261125)
    columns = {
        "batch": np.arange(rows) // PER_LOT,
        "net_g": np.round(rng.normal(121, 2.5, rows), 1),
        "declared_g": np.full(rows, 120.0),
        "packed": np.full(rows, 108),
    }
    pl.DataFrame(columns).write_parquet(path)


def bare_polars(path: Path) -> int:
    """The same aggregates, as anyone would write them."""
    net = pl.col("net_g")
    sums = [(net < cut).cast(pl.Int64).sum().alias(f"beyond_{cut}") for cut in (114.6, 109.2)]
    lots = pl.scan_parquet(path).group_by("batch").agg(
        pl.len(), net.mean().alias("mean"), net.std().alias("sd"), net.min().alias("lightest"),
        net.max().alias("heaviest"), *sums,
    )  # fmt: skip
    return len(lots.collect())


def bare_duckdb(path: Path) -> int:
    """The same in SQL."""
    lots = duckdb.sql(
        "select batch, count(*), avg(net_g) as mean, stddev_samp(net_g) as sd, min(net_g) as low, "
        "max(net_g) as high, sum((net_g < 114.6)::bigint) as t1, "
        f"sum((net_g < 109.2)::bigint) as t2 from read_parquet('{path}') group by batch"
    )
    return len(lots.df())


def best_of(work: Callable[[], object], times: int = 3) -> float:
    """The shortest of some runs, in seconds: the one least disturbed."""
    runs = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        runs.append(time.perf_counter() - begun)
    return min(runs)


def main(rows: int) -> None:
    """Print the times of both engines, one book and four, with words and with columns."""
    print(f"Polars {pl.__version__}, DuckDB {duckdb.__version__}, {rows:,} weighings")
    words = {"declared": "120 g", "lot_size": 108}
    columns = {"declared": "declared_g", "lot_size": "packed"}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "weighings.parquet"
        write(path, rows)
        engines = {
            "Polars": (bare_polars, lambda: pl.scan_parquet(path), lambda out: len(out.collect())),
            "DuckDB": (bare_duckdb, lambda: duckdb.read_parquet(str(path)), len),
        }
        for engine, (bare, scan, count) in engines.items():
            base = best_of(lambda bare=bare: bare(path))
            print(f"{engine}: bare group-by {base:.2f} s")
            for books in ("us-hb133", BOOKS):
                for kind, said in (("words", words), ("columns", columns)):

                    def work(books=books, said=said, scan=scan, count=count) -> None:
                        count(qa.judge_lots(scan(), books, **said))

                    own = best_of(work)
                    number = 1 if isinstance(books, str) else len(books)
                    print(
                        f"  {number} book(s), declared and lot size in {kind}: "
                        f"{own:.2f} s: {own / base:.2f} times"
                    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000)
