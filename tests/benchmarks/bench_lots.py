"""
How long ten million weighings take to judge, beside the engine's own group-by.

Run by hand: ``python tests/benchmarks/bench_lots.py [WEIGHINGS] [memory]``. The weighings are read
from Parquet, once by Polars and once by DuckDB; the bare group-by makes the same aggregates. Each
time is the shortest of some runs, taken in turn with the others. The aims are at most 1.5 times the
group-by for one book, 3 times for four books in one pass, and 6 times where the order within a lot
decides. The memory is the most that a process held which does nothing else; ``100000000 memory``
measures that alone, and aims at less than 3 GB.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

import qa_tools as qa

BOOKS = ["ca-crc-417", "eu-76-211", "uk-2006-659", "us-hb133"]
WORDS = {"declared": "120 g", "lot_size": 108}
COLUMNS = {"declared": "declared_g", "lot_size": "packed"}


def write(path: Path, rows: int, per_lot: int = 12, packed: int = 108) -> None:
    """Weighings of 120 g bars to a tenth of a gram, a million at a time."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    rng = np.random.default_rng(20261125)
    writer = None
    for start in range(0, rows, 1_000_000):
        at = np.arange(start, min(rows, start + 1_000_000))
        columns = {
            "batch": at // per_lot,
            "net_g": np.round(rng.normal(121, 2.5, at.size), 1),
            "declared_g": np.full(at.size, 120.0),
            "packed": np.full(at.size, packed),
            "nr": at,
        }
        table = pa.table(columns)
        writer = writer or pq.ParquetWriter(path, table.schema)
        writer.write_table(table)
    assert writer is not None
    writer.close()


def bare_polars(path: Path, columns: bool = False) -> int:
    """The same aggregates, as anyone would write them."""
    net = pl.col("net_g")
    sums = [(net < cut).cast(pl.Int64).sum().alias(f"beyond_{cut}") for cut in (114.6, 109.2)]
    sums += [net.mean().alias("mean"), net.std().alias("sd")]
    for name in ("net_g", "declared_g", "packed") if columns else ("net_g",):
        sums += [pl.col(name).min().alias(f"{name}_low"), pl.col(name).max().alias(f"{name}_high")]
    return len(pl.scan_parquet(path).group_by("batch").agg(pl.len(), *sums).collect())


def bare_duckdb(path: Path, columns: bool = False) -> int:
    """The same in SQL."""
    more = ", min(declared_g), max(declared_g), min(packed), max(packed)" if columns else ""
    lots = duckdb.sql(
        "select batch, count(*), avg(net_g) as mean, stddev_samp(net_g) as sd, min(net_g) as low, "
        "max(net_g) as high, sum((net_g < 114.6)::bigint) as t1, sum((net_g < 109.2)::bigint) as "
        f"t2{more} from read_parquet('{path}') group by batch"
    )
    return len(lots.df())


def judged(engine: str, path: Path, books: str | list[str], **said: Any) -> int:
    """The lots of a file, judged by the engine; how many rows there are."""
    if engine == "Polars":
        return len(qa.judge_lots(pl.scan_parquet(path), books, **said).collect())
    return len(qa.judge_lots(duckdb.read_parquet(str(path)), books, **said))


def in_turn(works: dict[str, Callable[[], object]], times: int = 5) -> dict[str, float]:
    """The shortest time of each in seconds, tried in turn: what disturbs one disturbs all."""
    best = dict.fromkeys(works, float("inf"))
    for _ in range(times):
        for name, work in works.items():
            begun = time.perf_counter()
            work()
            best[name] = min(best[name], time.perf_counter() - begun)
    return best


def times(engine: str, single: Path, double: Path) -> None:
    """Print what judging takes beside the bare group-by of the same file."""
    bare = bare_polars if engine == "Polars" else bare_duckdb
    best = in_turn(
        {
            "group-by": lambda: bare(single),
            "group-by, with the columns": lambda: bare(single, columns=True),
            "group-by of lots of 60": lambda: bare(double),
            "1 book": lambda: judged(engine, single, "us-hb133", **WORDS),
            "1 book, columns": lambda: judged(engine, single, "us-hb133", **COLUMNS),
            "4 books": lambda: judged(engine, single, BOOKS, **WORDS),
            "4 books, columns": lambda: judged(engine, single, BOOKS, **COLUMNS),
            "second samples by their order": lambda: judged(
                engine, double, "eu-76-211", declared="120 g", lot_size=200, order="nr"
            ),
        }
    )
    for name, seconds in best.items():
        beside = "group-by, with the columns" if "columns" in name else "group-by"
        beside = "group-by of lots of 60" if "order" in name else beside
        factor = "" if "group-by" in name else f", {seconds / best[beside]:.2f} times"
        print(f"{engine}, {name}: {seconds:.2f} s{factor}", flush=True)


def memory(engine: str, path: Path) -> None:
    """Print the time and the most memory that this process held while it judged."""
    if engine == "DuckDB":  # else it takes for itself what the machine has
        duckdb.execute("SET memory_limit = '1GB'")
    begun = time.perf_counter()
    rows = judged(engine, path, "us-hb133", **WORDS)
    taken = time.perf_counter() - begun
    held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"{engine}: {rows:,} lots judged in {taken:.1f} s, at most {held:.2f} GB held", flush=True
    )


def main(rows: int, only_memory: bool) -> None:
    """Print the times of both engines, then the memory of each in a process of its own."""
    print(f"Polars {pl.__version__}, DuckDB {duckdb.__version__}, {rows:,} weighings")
    with tempfile.TemporaryDirectory() as folder:
        single, double = Path(folder) / "twelve.parquet", Path(folder) / "sixty.parquet"
        write(single, rows)
        if not only_memory:
            write(double, rows, per_lot=60, packed=200)
        for engine in ("Polars", "DuckDB"):
            if not only_memory:
                times(engine, single, double)
            subprocess.run([sys.executable, __file__, "of", engine, str(single)], check=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["of"]:
        memory(sys.argv[2], Path(sys.argv[3]))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000, "memory" in sys.argv)
