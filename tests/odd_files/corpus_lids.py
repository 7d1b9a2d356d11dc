"""One column for all lids: the number, or the name, of the chamber that is closed."""

from collections.abc import Sequence

from odd_files.case import NEITHER, OddFile
from odd_files.making import CO2, GASES, N2O, chamber, moments, plain, records, rows

T = moments("2026-04-03 10:00:00", 10, 12)
NUMBERS = (0, 0, 1, 1, 1, 0, 2, 2, 3, 3, 0, 0)
LID_1 = [0, 0, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0]
LID_2 = [0, 0, 0, 0, 0, 0, 2, 2, 0, 0, 0, 0]
LID_3 = [0, 0, 0, 0, 0, 0, 0, 0, 3, 3, 0, 0]


def lid(number: int, column: str, states: str = "") -> str:
    """A lid in a column of several."""
    told = f"states = {{ {states} }}\n" if states else ""
    return f'[channels.lid_{number}]\nunit = "1"\ncolumn = "{column}"\n{told}'


def three(column: str, states: str = "") -> str:
    """Three chambers by their numbers."""
    chambers = [chamber(f"lid_{n}", closed=float(n)) for n in (1, 2, 3)]
    return GASES + "".join(lid(n, column, states) for n in (1, 2, 3)) + "".join(chambers)


def log(column: str, cells: Sequence[object]) -> dict[str, bytes]:
    """One file."""
    lines = rows(T, "{l:%Y-%m-%d %H:%M:%S},{c},{n2o},{co2}", c=cells, n2o=N2O, co2=CO2)
    return {"log.csv": plain(f"time,{column},n2o,co2", lines)}


CASES = [
    OddFile(
        id="number-of-the-closed-chamber",
        files=log("Closed", NUMBERS),
        channels=three("Closed"),
        records=records(T, lid_1=LID_1, lid_2=LID_2, lid_3=LID_3, n2o=N2O, co2=CO2),
    ),
    OddFile(
        id="number-of-the-closed-chamber-with-decimals",
        files=log("Chamber No.", [f"{n}.00" for n in NUMBERS]),
        channels=three("chamber no"),
        records=records(T, lid_1=LID_1, lid_2=LID_2, lid_3=LID_3, n2o=N2O, co2=CO2),
    ),
    OddFile(
        id="nothing-while-all-are-open",
        # An empty cell holds no record unless the channel says what it means.
        files=log("Closed", [n or "" for n in NUMBERS]),
        channels=three("Closed", '"" = 0'),
        records=records(T, lid_1=LID_1, lid_2=LID_2, lid_3=LID_3, n2o=N2O, co2=CO2),
    ),
    OddFile(
        id="a-word-for-no-value-while-all-are-open",
        files=log("Closed", [n or "---" for n in NUMBERS]),
        channels=three("Closed", '"---" = 0, swap = 9'),
        records=records(T, lid_1=LID_1, lid_2=LID_2, lid_3=LID_3, n2o=N2O, co2=CO2),
    ),
    OddFile(
        id="a-chamber-that-the-station-does-not-have",
        # Chamber 7 is another's: while it is closed, these are open.
        files=log("Closed", [7 if i == 11 else n for i, n in enumerate(NUMBERS)]),
        channels=three("Closed"),
        records=records(T, lid_1=LID_1, lid_2=LID_2, lid_3=LID_3, n2o=N2O, co2=CO2),
    ),
    OddFile(
        id="name-of-the-closed-chamber",
        files=log("state", [("none", "West", "mid", "moving")[n] for n in NUMBERS]),
        channels=GASES
        + lid(1, "state", "none = 0, west = 1")
        + lid(2, "state", "none = 0, mid = 1")
        + chamber("lid_1")
        + chamber("lid_2"),
        records=records(
            T,
            lid_1=[NEITHER if n == 3 else float(n == 1) for n in NUMBERS],
            lid_2=[NEITHER if n == 3 else float(n == 2) for n in NUMBERS],
            n2o=N2O,
            co2=CO2,
        ),
    ),
    OddFile(
        id="closed-and-nobody-knows-which",
        # Refused once, not once for each lid.
        files=log("Closed", ["closed" if i == 4 else n for i, n in enumerate(NUMBERS)]),
        channels=three("Closed"),
        records=records(
            T,
            lid_1=[*LID_1[:4], None, *LID_1[5:]],
            lid_2=[*LID_2[:4], None, *LID_2[5:]],
            lid_3=[*LID_3[:4], None, *LID_3[5:]],
            n2o=N2O,
            co2=CO2,
        ),
        refused=(("log.csv", 6),),
        exit_code=1,
    ),
    OddFile(
        id="one-column-for-lids-and-ports",
        files=log("valve", NUMBERS),
        channels=three("valve") + '[channels.valve]\nunit = "1"\n',
        records=records(
            T, lid_1=LID_1, lid_2=LID_2, lid_3=LID_3, valve=list(NUMBERS), n2o=N2O, co2=CO2
        ),
    ),
]
