"""The benchmarks still run: each measures its subject once, with small counts."""

from __future__ import annotations

from benchmarks import bench_loader


def test_the_loader_benchmark_measures_parsing_and_loading_of_each_tree() -> None:
    # A library that stands on another one lists the trees of both.
    ((parsed, loaded),) = bench_loader.measure(trees=2, rounds=1)
    assert parsed > 0
    assert loaded > 0
