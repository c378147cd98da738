"""The job file: everything that was seen, intended and done on one segment, in one SQLite file.

It stores documents (what JSON can say) and its own frozen records, and knows nothing of the
services whose results it keeps.  Every call that changes something has put it on disk by the time
it returns.
"""

from busprobe.job.job import Job
from busprobe.job.journal import Conclusion, WriteRecord
from busprobe.job.records import (
    Cabling,
    Circuit,
    JobMeta,
    ReplyTimes,
    StepRecord,
    SurveyRecord,
    UnitRecord,
    unit_from_finding,
)

__all__ = [
    "Cabling",
    "Circuit",
    "Conclusion",
    "Job",
    "JobMeta",
    "ReplyTimes",
    "StepRecord",
    "SurveyRecord",
    "UnitRecord",
    "WriteRecord",
    "unit_from_finding",
]
