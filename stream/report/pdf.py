"""A report as PDF, with the fonts that come with the plotting library."""

from io import BytesIO
from pathlib import Path
from typing import Final

import matplotlib as mpl
from fpdf import FPDF
from fpdf.fonts import FontFace

from stream.files import part_of
from stream.report.pages import Report

_FONTS: Final = Path(mpl.get_data_path()) / "fonts" / "ttf"
_WIDTH_MM: Final = 174.0


class _Pages(FPDF):
    def footer(self) -> None:
        """Number each page."""
        self.set_y(-14)
        self.set_font("DejaVu", size=8)
        self.cell(0, 6, f"{self.page_no()}", align="C")


def write_pdf(report: Report, path: Path) -> None:
    """Write the pages, A4.

    Raises
    ------
    LidstreamError
        The path cannot be written.
    """
    pdf = _Pages(format="A4")
    pdf.set_margin(18)
    pdf.set_auto_page_break(True, margin=18)
    pdf.add_font("DejaVu", "", _FONTS / "DejaVuSans.ttf")
    pdf.add_font("DejaVu", "B", _FONTS / "DejaVuSans-Bold.ttf")
    pdf.set_title(report.title)
    pdf.set_lang("en")
    pdf.add_page()
    pdf.set_font("DejaVu", "B", 15)
    pdf.multi_cell(_WIDTH_MM, 8, report.title, align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.set_font("DejaVu", size=9)
    pdf.multi_cell(_WIDTH_MM, 5, report.summary, align="L", new_x="LMARGIN", new_y="NEXT")
    for sheet in report.tables:
        pdf.ln(3)
        pdf.set_font("DejaVu", "B", 9)
        pdf.multi_cell(_WIDTH_MM, 5, sheet.caption, align="L", new_x="LMARGIN", new_y="NEXT")
        pdf.set_font("DejaVu", size=8)
        head = FontFace(emphasis="BOLD")
        with pdf.table(
            headings_style=head,
            borders_layout="HORIZONTAL_LINES",
            text_align=("LEFT", *["RIGHT"] * (len(sheet.head) - 1)),
            line_height=5,
        ) as table:
            table.row(sheet.head)
            for row in sheet.rows:
                table.row(row)
    for plate in report.figures:
        picture = BytesIO(plate.png)
        height = _height_mm(plate.png)
        if pdf.get_y() + height + 14 > pdf.h - 18:
            pdf.add_page()
        else:
            pdf.ln(4)
        pdf.image(picture, w=_WIDTH_MM, alt_text=plate.alt)
        pdf.set_font("DejaVu", size=8)
        pdf.multi_cell(_WIDTH_MM, 4.5, plate.caption, align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.ln(4)
    pdf.set_font("DejaVu", "B", 11)
    pdf.multi_cell(_WIDTH_MM, 6, "Methods", align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.set_font("DejaVu", size=9)
    pdf.multi_cell(_WIDTH_MM, 5, report.methods, align="L", new_x="LMARGIN", new_y="NEXT")
    with part_of(path) as part:
        pdf.output(str(part))


def _height_mm(png: bytes) -> float:
    """Of a figure at the width of the page, from the header of its PNG."""
    width, height = (int.from_bytes(png[at : at + 4], "big") for at in (16, 20))
    return _WIDTH_MM * height / width
