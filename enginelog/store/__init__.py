"""The job record: machines, jobs, bench checks, work and runs, in one SQLite file with its recordings beside it.

    with open_store() as store:                      # or open_store("shed.enginelog")
        machine = store.remember("tiller Marigold", kind="tiller", rated_rpm=3350.0)
        job = store.take_in(machine, complaint="stutters")
        store.tick(job.id, "spark", "fail", note="gap 1.2 mm", reading=1.2, unit="mm")
        store.attach(job.id, analysis.analyse("before.m4a", machine.engine), "before", recording=Path("before.m4a"))
        record = store.record(job.id)                # a model.JobRecord

Each method that writes has written to the disk when it returns; one that raises has changed nothing.
"""

from __future__ import annotations

from enginelog.store.backup import BackedUp, Restored, back_up, restore
from enginelog.store.contents import TakenBack
from enginelog.store.errors import NotInStoreError, StoreNotWrittenError, StoreUnreadableError
from enginelog.store.files import sha256_of
from enginelog.store.finding import EngineChange, History, JobLine, Visit
from enginelog.store.front import Problem, Store, open_store
from enginelog.store.handing_back import as_drafted, hand_back_with
from enginelog.store.opening import default_path
from enginelog.store.plain import plain
from enginelog.store.portable import Exported, Imported, export_to, import_from
from enginelog.store.telling import engine_fields

__all__ = [
    "BackedUp",
    "Exported",
    "Imported",
    "Restored",
    "as_drafted",
    "back_up",
    "engine_fields",
    "export_to",
    "hand_back_with",
    "import_from",
    "plain",
    "restore",
    "sha256_of",
    "EngineChange",
    "History",
    "JobLine",
    "NotInStoreError",
    "Problem",
    "Store",
    "StoreNotWrittenError",
    "StoreUnreadableError",
    "TakenBack",
    "Visit",
    "default_path",
    "open_store",
]
