"""All odd files."""

from typing import Final

from odd_files import (
    corpus_dates,
    corpus_encoding,
    corpus_layout,
    corpus_mixed,
    corpus_programs,
    corpus_rows,
    corpus_times,
    corpus_values,
    corpus_whole,
)
from odd_files.case import OddFile

ODD_FILES: Final[list[OddFile]] = [
    *corpus_encoding.CASES,
    *corpus_layout.CASES,
    *corpus_times.CASES,
    *corpus_dates.CASES,
    *corpus_values.CASES,
    *corpus_rows.CASES,
    *corpus_whole.CASES,
    *corpus_mixed.CASES,
    *corpus_programs.CASES,
]
