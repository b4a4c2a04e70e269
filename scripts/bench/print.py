"""The printed report of the invented fields: seconds, bytes, pages, beside the page in HTML.

    python scripts/bench/print.py [--rounds 3]

Needs the extras `pdf` and, to count pages, pypdf. Medians of the rounds in one process after one
round that loads the libraries; processor seconds of this process in brackets.
"""

from __future__ import annotations

import argparse
import io
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import pypdf

from vrx import prescription, report
from vrx.pipeline.inputs import read_inputs
from vrx.pipeline.stages import compute
from vrx.plan import load_plan, plan_path

SAMPLES = Path(__file__).resolve().parents[2] / "sample_geo"
PLANS = ("kettle", "long-eighty/season.toml", "bench")


def views_of(name: str) -> dict[str, object]:
    """What a page of this plan prints."""
    path = plan_path(SAMPLES / name)
    plan = load_plan(path)
    job = compute(plan, read_inputs(plan, plan_file=path))
    passes = job.prescription.passes
    return report.page_views(
        job, run="run-bench", cautions=prescription.cautions(passes),
        pass_cautions={one.pass_id: prescription.cautions([one]) for one in passes})


def timed(call: Callable[[], object], rounds: int) -> tuple[float, float]:
    """Median seconds: of the wall, of the processor."""
    found = []
    for _ in range(rounds):
        wall, cpu = time.perf_counter(), time.process_time()
        call()
        found.append((time.perf_counter() - wall, time.process_time() - cpu))
    return statistics.median(one[0] for one in found), statistics.median(one[1] for one in found)


def main() -> None:
    """Print one line a field."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=3)
    rounds = parser.parse_args().rounds
    for name in PLANS:
        views = views_of(name)
        page, pdf = report.page(views).encode(), report.pdf_bytes(views)
        pages = len(pypdf.PdfReader(io.BytesIO(pdf)).pages)
        html_s = timed(lambda views=views: report.page(views), rounds)
        pdf_s = timed(lambda views=views: report.pdf_bytes(views), rounds)
        print(f"{name}: HTML {html_s[0]:.2f} s ({html_s[1]:.2f}), {len(page) / 1024:,.0f} KiB; "
              f"PDF {pdf_s[0]:.2f} s ({pdf_s[1]:.2f}), {len(pdf) / 1024:,.0f} KiB, {pages} pages")


if __name__ == "__main__":
    main()
