"""Files that are refused as a whole, files without records, compressed files, and SenML."""

import gzip

from odd_files.case import OddFile, Records
from odd_files.making import (
    AIR,
    AIR_TEMP,
    ALL,
    CO2,
    GASES,
    N2O,
    comma,
    moments,
    plain,
    records,
    rows,
    text,
)

T = moments("2026-04-03 10:00:00", 10, 12)
STAMP = "{l:%Y-%m-%d %H:%M:%S}"
GAS_LINES = rows(T, STAMP + ",{n2o},{co2}", n2o=N2O, co2=CO2)
GAS = records(T, n2o=N2O, co2=CO2)
GOOD = plain("time,n2o,co2", GAS_LINES)
BINARY = bytes(range(256)) * 3 + b"\x00\x00\n\x00time,n2o\x00\n" + bytes(64) + b"\n"


def refused(
    name: str,
    bad: dict[str, bytes],
    *words: str,
    channels: str = GASES,
    good: dict[str, bytes] | None = None,
    stored: Records | None = None,
    **more: object,
) -> OddFile:
    """A file that is refused as a whole, alone or before and after a good one."""
    return OddFile(
        id=name,
        files=bad | (good or {}),
        channels=channels,
        records=stored or {},
        error=words,
        bad_file=next(iter(bad)),
        exit_code=2,
        cut=False,  # a piece of what cannot be understood tells nothing
        **more,  # type: ignore[arg-type]
    )


PACKS = "".join(
    f'[{{"n":"n2o","t":{1775210400 + 10 * i},"v":{a}}},'
    f'{{"n":"co2","t":{1775210400 + 10 * i},"v":{b},"u":"ppm"}}]\n'
    for i, (a, b) in enumerate(zip(N2O, CO2, strict=True))
).encode()
"""1775210400 is 2026-04-03T10:00:00Z."""

# RFC 8428, section 4.1: base name, base time, base unit and base value hold for the records
# that follow; names are joined, times and values are added. Section 4.5.3: times of 2^28 and
# more count from 1970. Section 12.1: "Cel" is degrees Celsius.
DOCUMENT = b"""[
  {"bn": "air_", "bt": 1775210400, "bu": "Cel", "bv": 20, "n": "temp", "v": -18.5},
  {"n": "temp", "t": 10, "v": -20.25},
  {"n": "temp", "t": 20.25, "v": 1.75},
  {"bn": "", "bt": 0, "bv": 400, "bu": "ppm", "n": "co2", "t": 1775210400, "v": 12.25},
  {"n": "co2", "t": 1775210410, "v": 15.5},
  {"n": "elsewhere", "t": 1775210410, "v": 3}
]
"""
DOCUMENT_RECORDS = {
    "air_temp": [
        ("2026-04-03T10:00:00.000000Z", 1.5),
        ("2026-04-03T10:00:10.000000Z", -0.25),
        ("2026-04-03T10:00:20.250000Z", 21.75),
    ],
    "co2": [("2026-04-03T10:00:00.000000Z", 412.25), ("2026-04-03T10:00:10.000000Z", 415.5)],
}

CASES = [
    refused("empty", {"log.csv": b""}, "empty"),
    refused("empty-but-for-the-mark", {"log.csv": b"\xef\xbb\xbf"}, "empty"),
    refused("empty-among-good", {"log-1.csv": b""}, "empty", good={"log-2.csv": GOOD}, stored=GAS),
    refused("binary", {"log.csv": BINARY}),
    refused("binary-among-good", {"log-1.csv": BINARY}, good={"log-2.csv": GOOD}, stored=GAS),
    refused(
        "prose", {"log.txt": plain("Dear diary,", "it rained; then the sun came out.", "", "Bye")},
        "header",
    ),
    refused("no-header-and-no-key", {"log.csv": plain(GAS_LINES)}, "header"),
    refused(
        "no-header-among-good", {"log-1.csv": plain(GAS_LINES)}, "header",
        good={"log-2.csv": GOOD}, stored=GAS,
    ),
    refused(
        "no-column-is-wanted",
        {"log.csv": plain("time,wind,sun", rows(T, STAMP + ",{a},7", a=AIR))}, "column",
    ),
    refused(
        "no-time-column",
        {"log.csv": plain("place,n2o,co2", rows(T, "7,{n2o},{co2}", n2o=N2O, co2=CO2))}, "time",
    ),
    refused(
        "unit-in-header-contradicts", {"log.csv": plain("time,n2o [ppm],co2 [ppm]", GAS_LINES)},
        "n2o", "ppm", "nmol/mol",
    ),
    refused(
        "unit-in-parentheses-contradicts",
        {"log.csv": plain("time,n2o,co2 (mmol/mol)", GAS_LINES)}, "co2", "mmol/mol", "umol/mol",
    ),
    refused(
        "unit-in-units-row-contradicts",
        {"log.csv": plain("time,n2o,co2", "s,ppb,ppb", GAS_LINES)}, "co2", "ppb", "umol/mol",
    ),
    refused(
        "kelvin-is-not-celsius",
        {"log.csv": plain("time,air_temp [K]", rows(T, STAMP + ",{a}", a=[v + 273 for v in AIR]))},
        "air_temp", "K", "degC", channels=AIR_TEMP,
    ),
    refused(
        "contradiction-among-good",
        {"log-1.csv": plain("time,n2o [ppm],co2 [ppm]", GAS_LINES)}, "ppm", "nmol/mol",
        good={"log-2.csv": GOOD}, stored=GAS,
    ),
    refused(
        "two-columns-for-a-channel",
        {"log.csv": plain("time,N2O,N2o,co2", rows(T, STAMP + ",{n},9.5,{c}", n=N2O, c=CO2))},
        "N2O", "N2o",
    ),
    refused(
        "a-column-named-twice",
        {"log.csv": plain("time,n2o,n2o,co2", rows(T, STAMP + ",{n},9.5,{c}", n=N2O, c=CO2))},
        "n2o",
    ),
    OddFile(
        id="header-alone",
        files={"log.csv": plain("time,n2o,co2")},
        channels=GASES,
        records={},
        exit_code=1,
        cut=False,  # there is nothing to cut
    ),
    OddFile(
        id="header-alone-among-good",
        files={"log-1.csv": plain("time,n2o,co2"), "log-2.csv": GOOD},
        channels=GASES,
        records=GAS,
        exit_code=1,
        cut=False,  # there is nothing to cut in the first
    ),
    OddFile(
        id="two-files-of-two-makes",
        files={
            "log-1.csv": plain("time,n2o", rows(T, STAMP + ",{n2o}", n2o=N2O)),
            "log-2.csv": plain("Timestamp;CO2 [ppm]",
                               rows(T, "{l:%Y/%m/%d %H:%M:%S};{co2}", co2=comma(CO2))),
        },
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="compressed",
        files={
            "log.csv.gz": gzip.compress(
                b"\xff\xfe" + text("time;n2o;co2", rows(T, STAMP + ";{a};{b}", a=comma(N2O),
                                                      b=comma(CO2))).encode("utf-16-le"), mtime=0,
            )
        },
        channels=GASES,
        records=GAS,
        cut=False,  # its lines are seen only once it is unpacked
    ),
    OddFile(
        id="senml-packs",
        files={"log.json": PACKS},
        channels=GASES,
        records=GAS,
        header_lines=0,
    ),
    OddFile(
        id="senml-document",
        files={"log.json": DOCUMENT},
        channels=ALL,
        records=DOCUMENT_RECORDS,
        cut=False,  # one text, of which no piece is whole
    ),
    OddFile(
        id="senml-beside-columns",
        files={"log-1.json": DOCUMENT, "log-2.csv": plain("time,n2o", rows(T, STAMP + ",{n2o}",
               n2o=N2O))},
        channels=ALL,
        records=DOCUMENT_RECORDS | records(T, n2o=N2O),
        cut=False,  # as above
    ),
]  # fmt: skip
