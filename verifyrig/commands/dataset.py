"""`verifyrig dataset`: the kept figures of this bench as Parquet, for questions over many benches and sites."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from verifyrig.commands import Answer, Context
from verifyrig.core.errors import UsageError
from verifyrig.core.plain_text import plain_line, plain_lines

if TYPE_CHECKING:
    from verifyrig.commands.contract import DatasetObject


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `dataset`."""
    parser.add_argument("place", metavar="PLACE", help="a folder, or a URL that fsspec knows (s3://bucket/prefix)")
    parser.add_argument("--site", metavar="NAME", required=True, help="where these benches stand")
    parser.add_argument("--samples", metavar="PLACE", help="write the samples too, a file a run, to this place")
    parser.add_argument("--cluster", metavar="ADDRESS", help="compute on a Dask cluster, as tcp://host:8786")
    parser.add_argument("--cores", metavar="N", type=int, help="how many cores compute (default: all)")


def execute(args: argparse.Namespace, context: Context) -> Answer:
    """Bring the dataset up to date with the records of this bench folder."""
    from verifyrig.qa.dataset import export_dataset

    bench = context.bench.bench_id
    if not bench:
        mend = "Name it: `verifyrig setup --bench-id NAME`."
        raise UsageError("this bench has no name, so its files could be another one's", where="dataset", mend=mend)
    records = context.bench.records()
    done = export_dataset(
        context.bench.root,
        records,
        args.place,
        site=args.site,
        bench=bench,
        samples_url=args.samples,
        workers=args.cluster or args.cores,
    )
    data: DatasetObject = {
        "place": args.place,
        "written": done.written,
        "unchanged": done.unchanged,
        "removed": done.removed,
        "runs": done.runs,
        "customers": done.customers,
        "refused": [{"run": run, "why": why} for run, why in done.refused],
    }
    lines = [f"{done.runs} runs in {len(done.written)} files written and {len(done.unchanged)} unchanged."]
    if done.customers:
        lines.append(f"{done.customers} runs of customers' jobs stay here.")
    if done.samples is not None:
        data["samples"] = {"place": args.samples, "written": done.samples.written, "unchanged": done.samples.unchanged}
        lines.append(f"Samples of {done.samples.written} runs written, of {done.samples.unchanged} there already.")
    lines += [f"REFUSED {plain_line(run)}: {plain_line(why)}." for run, why in done.refused]
    return Answer(data=data, text=plain_lines(lines))
