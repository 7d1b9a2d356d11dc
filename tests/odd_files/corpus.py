"""All odd files."""

from typing import Final

from odd_files import (
    corpus_dates,
    corpus_encoding,
    corpus_layout,
    corpus_lids,
    corpus_mixed,
    corpus_programs,
    corpus_rows,
    corpus_times,
    corpus_values,
    corpus_whole,
    corpus_zones,
)
from odd_files.case import OddFile

ODD_FILES: Final[list[OddFile]] = [
    *corpus_encoding.CASES,
    *corpus_layout.CASES,
    *corpus_times.CASES,
    *corpus_dates.CASES,
    *corpus_zones.CASES,
    *corpus_values.CASES,
    *corpus_lids.CASES,
    *corpus_rows.CASES,
    *corpus_whole.CASES,
    *corpus_mixed.CASES,
    *corpus_programs.CASES,
]
