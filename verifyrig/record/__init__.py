"""A record: what a run leaves on disk. One SQLite file, written so that the machine may die at any moment.

Schema (version 1; `schema.py` holds the statements):

    run(key, value)                      facts of the run, each value as JSON; `profile_text` is the profile as read
    stage(name, kind, start_s, end_s, ended)
    sample(t_s, utc_s, <one real column a channel>)        NULL = no reading
    reading_quality(channel, from_s, to_s, quality, note)  both ends included; to_s NULL = until the last sample
    event(t_s, kind, detail_json)
    seal(part, block, first_row, last_row, digest, marks)  digests of the rows above; part `record`: closed and sealed

How it survives a power cut. The file is in WAL mode with `synchronous=FULL`. SQLite documents that in this mode the
write-ahead log is synced after each commit ("PRAGMA synchronous": FULL; with NORMAL "a transaction committed in WAL
mode might roll back following a power loss", so NORMAL is not enough; OFF may even damage the file). "Write-Ahead
Logging" documents that readers go on while one writer writes, and that a frame counts only if its checksum and salt
fit, so a torn write at the end is left out as a whole ("The WAL file format"). What is relied on below SQLite: that a
sync reaches the medium. A stick that lies about it can lose what it acknowledged, but not the order: what is lost is
the end of the record.

On the real clock a thread of its own commits the samples in order, each as soon as the disk has taken the one before;
the caller never waits. On a virtual clock, and for imports, rows are committed in blocks with `synchronous=NORMAL`,
at the latest every half second; that is still safe once the record is closed, since closing syncs.
"""

from verifyrig.record.reader import Head, read_head, read_trace
from verifyrig.record.run_id import new_run_id
from verifyrig.record.writer import open_record

__all__ = ["Head", "new_run_id", "open_record", "read_head", "read_trace"]
