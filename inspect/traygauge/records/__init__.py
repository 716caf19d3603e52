"""Results as files: the piece table, the verdict, and writing that leaves nothing half done."""

from traygauge.records.files import write_together, write_whole
from traygauge.records.names import file_stem, printable
from traygauge.records.table import pieces_csv, read_pieces_csv
from traygauge.records.verdict_json import read_verdict_json, verdict_json, verdict_schema

__all__ = [
    "file_stem",
    "pieces_csv",
    "printable",
    "read_pieces_csv",
    "read_verdict_json",
    "verdict_json",
    "verdict_schema",
    "write_together",
    "write_whole",
]
