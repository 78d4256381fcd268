"""Kept figures of many benches as Parquet: one table under `qa` that any engine reads. Needs the extra `fleet`."""

from verifyrig.qa.dataset.read import Dataset
from verifyrig.qa.dataset.write import Exported, export_dataset

__all__ = ["Dataset", "Exported", "export_dataset"]
