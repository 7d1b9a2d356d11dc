"""Twelve more odd files and what a careful person reads in them; made before the reader was seen.

``python tests/odd_files/fieldwork/make.py`` writes ``NN/log.*`` and ``NN/expected.csv`` anew.
Numbers are drawn as whole decimals first; the file and the table of what it must give are two
ways of writing these, and nothing here reads either.
"""

import random
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).parent
START: Final = {
    "co2": 41_250,
    "ch4": 19_684,
    "air": 62,
    "soil": 715,
    "pressure": 99_812,
    "vwc": 312,
}
PLACES: Final = {"co2": 2, "ch4": 1, "air": 1, "soil": 2, "pressure": 0, "vwc": 1}
STEP: Final = {"co2": 45, "ch4": 12, "air": 3, "soil": 4, "pressure": 6, "vwc": 1}

Row = dict[str, str]
"""Name → a number in plain digits, or a word; '' where there is none."""


def times(first: str, step_s: float, count: int) -> list[datetime]:
    """Moments in UTC."""
    start = datetime.fromisoformat(first).replace(tzinfo=UTC)
    return [start + timedelta(seconds=step_s * i) for i in range(count)]


def digits(whole: int, places: int) -> str:
    """A whole number of the last place as plain digits."""
    if not places:
        return str(whole)
    text = f"{abs(whole):0{places + 1}d}"
    return f"{'-' if whole < 0 else ''}{text[:-places]}.{text[-places:]}"


def numbers(seed: str, count: int, names: Sequence[str], gone: float = 0.0) -> list[Row]:
    """Rows of wandering values; a share of the cells is empty."""
    dice = random.Random(seed)
    now = {name: START[name] for name in names}
    found = []
    for i in range(count):
        row: Row = {}
        for name in names:
            now[name] += dice.randint(-STEP[name], STEP[name])
            shown = now[name] + (30 * STEP[name] if name in ("co2", "ch4") and i % 6 > 2 else 0)
            row[name] = "" if dice.random() < gone else digits(shown, PLACES[name])
        found.append(row)
    return found


def comma(cell: str) -> str:
    """With a decimal comma."""
    return cell.replace(".", ",")


def grouped(cell: str, mark: str, point: str) -> str:
    """With a mark between thousands and another before the decimals."""
    whole, _, rest = cell.partition(".")
    sign, whole = ("-", whole[1:]) if whole.startswith("-") else ("", whole)
    head = f"{int(whole):,}".replace(",", mark)
    return sign + head + (point + rest if rest else "")


def iso(moment: datetime) -> str:
    """RFC 3339, to the nanosecond's last whole microsecond."""
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def write(number: str, name: str, content: bytes, moments: list[datetime], rows: list[Row]) -> None:
    """The file, and the table of what it must give."""
    folder = HERE / number
    folder.mkdir(exist_ok=True)
    (folder / name).write_bytes(content)
    names = list(rows[0])
    lines = [",".join(["time", *names])]
    lines += [
        ",".join([iso(t), *(row[n] for n in names)]) for t, row in zip(moments, rows, strict=True)
    ]
    (folder / "expected.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def lines(parts: Sequence[str], end: str = "\n") -> str:
    """Each with its end."""
    return "".join(p + end for p in parts)


def month_names() -> None:
    """11: a spreadsheet; months as words, units below the header, statistics at the foot."""
    moments = times("2026-02-26T21:00:30", 1200, 120)
    rows = numbers("11", 120, ["co2", "ch4", "air", "soil"], gone=0.04)
    words = ["Jan", "Feb", "Mar"]
    body = []
    for t, r in zip(moments, rows, strict=True):
        l = t + timedelta(hours=1)
        stamp = f"{l.day} {words[l.month - 1]} {l.year} {l:%H:%M:%S}"
        body.append(";".join([stamp, *(comma(c) for c in r.values()), ""]))
    foot = ["Mean;414,20;1972,1;4,9;7,02;", "Min;402,11;1960,2;-0,3;6,50;", "n;115;116;114;117;"]
    head = ["Ridge 2, chamber by the gate;;;;;", "", "Time;CO2;CH4;Air;Soil 5 cm;Remarks"]
    text = lines([*head, ";ppm;ppb;°C;°C;", *body, "", *foot], "\r\n")
    write("11", "log.csv", b"\xef\xbb\xbf" + text.encode(), moments, rows)


def short_years() -> None:
    """12: UTF-16, tabs, years of two digits, a real minus sign, units in cells."""
    moments = times("2026-03-08T23:00:00", 3600, 150)
    rows = numbers("12", 150, ["co2", "air", "vwc"], gone=0.03)
    for i, row in enumerate(rows):
        if row["air"] and i % 3 == 0:
            row["air"] = digits(-int(row["air"].replace(".", "")), 1)
    body = []
    for t, r in zip(moments, rows, strict=True):
        l = t + timedelta(hours=1)
        air = r["air"].replace("-", "\u2212")
        vwc = r["vwc"] and f"{r['vwc']} %"
        body.append(f"{l:%d/%m/%y %H:%M}\t{r['co2']}\t\t{air}\t{vwc}\tok\t")
    text = lines(["When\tCO2 (ppm)\t\tAir (°C)\tWater\tNote\tNote", *body], "\r\n")
    write("12", "log.txt", b"\xfe\xff" + text.encode("utf-16-be"), moments, rows)


def day_numbers() -> None:
    """13: day numbers, decimal commas, points between thousands, line ends of two kinds."""
    moments = times("2026-04-11T04:00:00", 450, 130)
    rows = numbers("13", 130, ["ch4", "co2", "pressure"], gone=0.03)
    for row in rows:
        row["lid"] = "1" if row["co2"] and float(row["co2"]) > 420 else "0"
    parts = ["Zeitpunkt;CH4 [ppb];CO2 [ppm];Druck [Pa];Deckel;;\r\n"]
    for i, (t, r) in enumerate(zip(moments, rows, strict=True)):
        since = t + timedelta(hours=2) - datetime(1899, 12, 30, tzinfo=UTC)
        whole, rest = divmod(since // timedelta(seconds=1), 86_400)
        number = f"{whole},{(rest * 10**10 + 43_200) // 86_400:010d}"
        ch4 = r["ch4"] and f'"{grouped(r["ch4"], ".", ",")}"'
        pressure = r["pressure"] and grouped(r["pressure"], ".", ",")
        end = "\n" if 40 <= i < 80 else "\r\n"
        parts.append(f"{number};{ch4};{comma(r['co2'])};{pressure};{r['lid']};;{end}")
    parts += [";;;;;;\r\n"] * 3
    write("13", "log.csv", "".join(parts).encode("latin-1"), moments, rows)


def interruptions() -> None:
    """14: a logger that stops: remarks with commas, its header again, rows sent twice, rows cut."""
    moments = times("2026-04-02T08:00:00", 60, 160)
    rows = numbers("14", 160, ["co2", "ch4", "air", "soil"])
    said = []
    for t, r in zip(moments, rows, strict=True):
        l = t + timedelta(hours=2)
        said.append(",".join([f"{l:%Y-%m-%d %H:%M:%S}", *r.values()]))
    header = "time,CO2,CH4,air,soil"
    body = [header, *said[:50], "# battery changed, cable checked, all well", *said[50:80]]
    # The power fails within CO2's cell, then within the stamp; both rows are lost.
    body += [
        said[80][:22],
        header,
        *said[81:110],
        "lid wiped, seal greased, hinge ok, gate shut, 3",
    ]
    body += [*said[100:130], said[130][:15], header, *said[131:], *said[140:]]
    for lost in (80, 130):
        rows[lost] = dict.fromkeys(rows[lost], "")
    write("14", "log.csv", lines(body).encode(), moments, rows)


def nanoseconds() -> None:
    """15: a script's file with nanoseconds since 1970; remarks whose quotes have no partner."""
    moments = times("2026-06-01T22:30:00.125", 2.5, 140)
    rows = numbers("15", 140, ["co2", "ch4", "air"], gone=0.02)
    remarks = {
        20: '5" tube',
        33: '"wet',
        34: "",
        47: 'said "fine',
        61: '"dry again',
        90: "Jo's tea",
    }
    body = ["ts_ns,co2_ppm,ch4_ppb,air_c,remark"]
    for i, (t, r) in enumerate(zip(moments, rows, strict=True)):
        us = (t - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
        body.append(",".join([f"{us}000", *r.values(), remarks.get(i, "")]))
    write("15", "log.csv", lines(body).encode(), moments, rows)


def weeks() -> None:
    """16: ISO week dates (ISO 8601-1:2019, 5.2.4), commas."""
    moments = times("2026-12-31T20:00:00", 600, 110)
    rows = numbers("16", 110, ["co2", "soil"])
    body = ["date,CO2,soil"]
    for t, r in zip(moments, rows, strict=True):
        year, week, day = (t + timedelta(hours=1)).isocalendar()
        l = t + timedelta(hours=1)
        body.append(f"{year}-W{week:02d}-{day}T{l:%H:%M:%S},{r['co2']},{r['soil']}")
    write("16", "log.csv", lines(body).encode(), moments, rows)


def autumn_night() -> None:
    """17: the night of 25 October by the wall clock; midnight as 24:00:00; a daily mean below."""
    moments = times("2026-10-24T17:00:00", 300, 180)
    rows = numbers("17", 180, ["co2", "air", "soil"], gone=0.03)
    change = datetime(2026, 10, 25, 1, tzinfo=UTC)  # 03:00 becomes 02:00 (EU, 2000/84/EC)
    body = ["Datum;Uhrzeit;CO2 [ppm];Luft [°C];Boden [°C]"]
    for t, r in zip(moments, rows, strict=True):
        l = t + timedelta(hours=2 if t < change else 1)
        day, hour = f"{l:%d.%m.%Y}", f"{l:%H:%M:%S}"
        if hour == "00:00:00":
            day, hour = f"{l - timedelta(days=1):%d.%m.%Y}", "24:00:00"
        body.append(";".join([day, hour, *(comma(c) for c in r.values())]))
    body.append("25.10.2026;;415,31;5,9;7,05")
    write("17", "log.csv", lines(body, "\r\n").encode("cp1252"), moments, rows)


def statistics_row() -> None:
    """18: a row of units and one that says mean or sample; cells that are no plain number."""
    moments = times("2026-05-20T11:00:00.500", 30, 150)
    rows = numbers("18", 150, ["ch4", "co2", "air", "pressure"])
    odd = {(7, "air"): "OL", (8, "air"): "OL", (30, "ch4"): "<0.3", (31, "ch4"): ">5000",
           (55, "co2"): "412.4*", (56, "co2"): "4l3.1", (90, "pressure"): "998.2 hPa",
           (91, "co2"): "41 2.7", (120, "air"): "6.2.1"}  # fmt: skip
    body = ['"TIME","CH4","CO2","AIR","PRESSURE"', '"","ppb","ppm","deg C","Pa"',
            '"","Smp","Avg","Avg","Smp"']  # fmt: skip
    for i, (t, r) in enumerate(zip(moments, rows, strict=True)):
        shown = {n: odd.get((i, n), cell) for n, cell in r.items()}
        l = t + timedelta(hours=2)
        stamp = f'"{l:%Y-%m-%d %H:%M:%S}.{l.microsecond // 100_000}"'
        body.append(",".join([stamp, *shown.values()]))
        for n in r:
            if (i, n) in odd:
                r[n] = ""
    write("18", "log.dat", lines(body, "\r\n").encode(), moments, rows)


def named_twice() -> None:
    """19: two columns named Temp (air, then soil); 12-hour clock; commas between thousands."""
    moments = times("2026-07-14T03:00:00", 900, 140)
    rows = numbers("19", 140, ["ch4", "air", "soil", "pressure"], gone=0.03)
    body = ["Date/Time,CH4 ppb,Temp,Temp,Pressure Pa"]
    for t, r in zip(moments, rows, strict=True):
        l = t - timedelta(hours=6)
        stamp = (
            f"{l.month}/{l.day}/{l.year} {(l.hour + 11) % 12 + 1}:{l:%M} {'ap'[l.hour >= 12]}.m."
        )
        big = {n: r[n] and f'"{grouped(r[n], ",", ".")}"' for n in ("ch4", "pressure")}
        body.append(",".join([stamp, big["ch4"], r["air"], r["soil"], big["pressure"]]))
    write("19", "log.csv", lines(body).encode(), moments, rows)


def joined() -> None:
    """20: a logger's file, and below it one that a spreadsheet has saved in its way."""
    moments = times("2026-05-30T18:00:00", 600, 150)
    rows = numbers("20", 150, ["co2", "ch4", "air"])
    body = ["timestamp,co2,ch4,air"]
    for i, (t, r) in enumerate(zip(moments, rows, strict=True)):
        l = t + timedelta(hours=2)
        if i == 75:
            body.append("timestamp;co2;ch4;air")
        if i < 75:
            body.append(",".join([f"{l:%Y-%m-%d %H:%M:%S}", *r.values()]))
        elif i in (100, 101):  # A temperature that the spreadsheet took for a date.
            body.append(f"{l:%d.%m.%Y %H:%M};{comma(r['co2'])};{comma(r['ch4'])};06. Apr")
            r["air"] = ""
        else:
            body.append(";".join([f"{l:%d.%m.%Y %H:%M}", *(comma(c) for c in r.values())]))
    write("20", "log.csv", lines(body).encode(), moments, rows)


def intervals() -> None:
    """21: means over ten minutes, with begin and end of each; the end is what counts."""
    moments = times("2026-08-20T10:10:00", 600, 120)
    rows = numbers("21", 120, ["co2", "soil"], gone=0.03)
    body = ["From;To;CO2 mean;Soil mean"]
    for t, r in zip(moments, rows, strict=True):
        l = t + timedelta(hours=2)
        start = l - timedelta(minutes=10)
        body.append(
            f"{start:%d.%m.%Y %H:%M};{l:%d.%m.%Y %H:%M};{comma(r['co2'])};{comma(r['soil'])}"
        )
    write("21", "log.csv", lines(body).encode(), moments, rows)


def parts_of_dates() -> None:
    """22: year, month, day, hour, minute and second in columns of their own; blanks that align."""
    moments = times("2026-09-09T21:59:40", 20, 180)
    rows = numbers("22", 180, ["co2", "ch4", "air"])
    body = ["year  mo  dy  hr  mi  se     co2      ch4    air"]
    for t, r in zip(moments, rows, strict=True):
        stamp = f"{t.year}  {t.month:2d}  {t.day:2d}  {t.hour:2d}  {t.minute:2d}  {t.second:2d}"
        body.append(f"{stamp}  {r['co2']:>6}  {r['ch4']:>7}  {r['air']:>5}")
    write("22", "log.txt", lines(body).encode(), moments, rows)


ALL: Final[tuple[Callable[[], None], ...]] = (
    month_names, short_years, day_numbers, interruptions, nanoseconds, weeks,
    autumn_night, statistics_row, named_twice, joined, intervals, parts_of_dates,
)  # fmt: skip

if __name__ == "__main__":
    for one in ALL:
        one()
