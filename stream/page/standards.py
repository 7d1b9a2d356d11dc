"""Standards over time: how far off each was shown."""

from typing import Any

from stream.field.desk import Desk
from stream.page.line import chart, line
from stream.records import SECOND
from stream.store.readers import Period
from stream.summary.standards import deviations


def standard_series(desk: Desk, analyzer: str, gas: str, period: Period) -> dict[str, Any]:
    """Deviation of each visit from the standard's value [%], one series a standard.

    Zero gas is given as the value shown [nmol mol⁻¹], and left out here.
    """
    rows: dict[tuple[int, float], list[dict[str, Any]]] = {}
    for r in desk.reader.standard_visits(period):
        if (r["analyzer"], r["gas"]) == (analyzer, gas):
            rows.setdefault((r["port"], r["standard_nmol_mol"]), []).append(r)
    lines = []
    for (port, value), visits in sorted(rows.items()):
        found = deviations(visits)
        if found:
            name = f"port {port}, {value:g} nmol/mol"
            lines.append(
                line(name, [at / SECOND for at, _ in found], [100.0 * d for _, d in found])
            )
    return {**chart(lines), "events": []}
