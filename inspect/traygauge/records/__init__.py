"""Results as files: the piece table, the verdict, and writing that leaves nothing half done."""

from traygauge.records.known import KnownPieces, read_known
from traygauge.records.stored import StoredBatch, is_stored, kept, read_batch
from traygauge.records.table import pieces_csv, read_pieces_csv, safe_text
from traygauge.records.verdict_json import read_verdict_json, verdict_json, verdict_schema
from traygauge_shared.names import file_stem, printable
from traygauge_shared.saving import write_together, write_whole

__all__ = [
    "KnownPieces",
    "StoredBatch",
    "file_stem",
    "is_stored",
    "kept",
    "pieces_csv",
    "printable",
    "read_batch",
    "read_known",
    "read_pieces_csv",
    "read_verdict_json",
    "safe_text",
    "verdict_json",
    "verdict_schema",
    "write_together",
    "write_whole",
]
