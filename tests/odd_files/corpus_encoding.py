"""Letters, marks of encodings, line ends and quotes."""

from odd_files.case import OddFile
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
GAS_ROWS = rows(T, "{u:%Y-%m-%dT%H:%M:%SZ},{n2o},{co2}", n2o=N2O, co2=CO2)
GAS = records(T, n2o=N2O, co2=CO2)
GAS_TEXT = text("time,n2o,co2", GAS_ROWS)

MIXED_ENDS = "".join(
    line + ("\r\n" if i % 3 == 0 else "\n") for i, line in enumerate(["time,n2o,co2", *GAS_ROWS])
).encode()

AIR_ROWS = rows(
    T, "{l:%Y-%m-%d %H:%M:%S};{air};{note}", air=AIR,
    note=["", "", "gr\xfcn", "", "", "5 \xb5A", "", "", "", "", "", ""],
)  # fmt: skip

CASES = [
    OddFile(
        id="plain",
        files={"log.csv": plain("time,n2o,co2", GAS_ROWS)},
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="crlf",
        files={"log.csv": plain("time,n2o,co2", GAS_ROWS, end="\r\n")},
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="both-line-ends",
        files={"log.csv": MIXED_ENDS},
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="utf-8-with-mark",
        files={"log.csv": b"\xef\xbb\xbf" + GAS_TEXT.encode()},
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="utf-16-little",
        files={"log.csv": b"\xff\xfe" + GAS_TEXT.encode("utf-16-le")},
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="utf-16-big",
        files={"log.csv": b"\xfe\xff" + GAS_TEXT.encode("utf-16-be")},
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="utf-16-crlf",
        files={"log.csv": b"\xff\xfe" + GAS_TEXT.replace("\n", "\r\n").encode("utf-16-le")},
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="utf-16-by-key",
        files={"log.csv": GAS_TEXT.encode("utf-16-le")},  # no mark
        channels=GASES,
        source='encoding = "utf-16-le"',
        records=GAS,
        # Without a mark a test that cuts at line ends would have to know the encoding too.
        cut=False,
    ),
    OddFile(
        id="latin-1-header",
        files={"log.csv": text("time;air_temp [\xb0C];remark", AIR_ROWS).encode("latin-1")},
        channels=AIR_TEMP,
        records=records(T, air_temp=AIR),
    ),
    OddFile(
        id="latin-1-byte-in-utf-8",
        files={
            "log.csv": "time;air_temp [\xb0C];remark\n".encode()
            + text(AIR_ROWS).encode("latin-1")
        },
        channels=AIR_TEMP,
        records=records(T, air_temp=AIR),
    ),
    OddFile(
        id="codec-by-key",
        # In code page 850 the degree sign is the byte F8, which Latin-1 reads as another letter.
        files={
            "log.csv": text(
                "time;Luftw\xe4rme \xb0", rows(T, "{u:%Y-%m-%dT%H:%M:%SZ};{air}", air=AIR)
            ).encode("cp850")
        },
        channels='[channels.air_temp]\nunit = "degC"\ncolumn = "Luftw\xe4rme \xb0"\n',
        source='encoding = "cp850"',
        records=records(T, air_temp=AIR),
    ),
    OddFile(
        id="sep-semicolon",
        files={
            "log.csv": plain(
                "sep=;",
                "time;n2o;co2",
                rows(T, "{l:%Y-%m-%d %H:%M:%S};{n2o};{co2}", n2o=N2O, co2=CO2),
            )
        },
        channels=GASES,
        records=GAS,
        header_lines=2,
    ),
    OddFile(
        id="sep-comma",
        files={"log.csv": plain("sep=,", "time,n2o,co2", GAS_ROWS, end="\r\n")},
        channels=GASES,
        records=GAS,
        header_lines=2,
    ),
    OddFile(
        id="quoted-cells",
        files={
            "log.csv": plain(
                '"time","n2o","remark","co2"',
                rows(
                    T, '"{u:%Y-%m-%d %H:%M:%S}Z","{n2o}","{note}","{co2}"', n2o=N2O, co2=CO2,
                    note=["", "lid, checked", 'said ""stop""', *[""] * 9],
                ),
            )
        },
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="quoted-decimal-commas",
        files={
            "log.csv": plain(
                "time,n2o,co2,air_temp",
                rows(
                    T, '{l:%Y-%m-%d %H:%M:%S},"{n2o}","{co2}","{air}"',
                    n2o=comma(N2O, 1), co2=comma(CO2), air=comma(AIR),
                ),
            )
        },
        channels=ALL,
        records=records(T, n2o=N2O, co2=CO2, air_temp=AIR),
    ),
]  # fmt: skip
