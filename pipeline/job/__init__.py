"""Stage: the text of a job file and of the shop files it names becomes a `Job`, or every finding at once."""

from __future__ import annotations

from pipeline.job.read import Checked, check_job, check_order, read_job
from pipeline.job.schema import job_schema

__all__ = ["Checked", "check_job", "check_order", "job_schema", "read_job"]
