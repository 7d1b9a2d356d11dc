"""SenML packs: RFC 8428, its examples and its rules."""

import contextlib
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.errors import RecordError
from stream.ingest.batches import Batch, together
from stream.ingest.broker.senml import decode_pack
from stream.times import rfc3339

UNITS = {
    "n2o": "nmol/mol",
    "t": "degC",
    "p": "Pa",
    "lid": "1",
    "urn:dev:ow:10e2073a01080063:voltage": "V",
    "urn:dev:ow:10e2073a01080063:current": "A",
}


def decode(pack: object, **options: int) -> Batch:
    return decode_pack("topic", json.dumps(pack).encode(), UNITS, **options)


def values(batch: Batch) -> dict[str, list[float]]:
    return {c: batch.values[:, j].tolist() for j, c in enumerate(batch.channels)}


def test_the_multiple_datapoints_example() -> None:
    """RFC 8428, section 5.1.2 (example read in the working group's draft): base name, time
    and unit hold for all records; voltage and current every second before."""
    batch = decode(
        [
            {"bn": "urn:dev:ow:10e2073a01080063:", "bt": 1.276020076001e9, "bu": "A", "bver": 5,
             "n": "voltage", "u": "V", "v": 120.1},
            {"n": "current", "t": -5, "v": 1.2},
            {"n": "current", "t": -4, "v": 1.3},
            {"n": "current", "t": -3, "v": 1.4},
            {"n": "current", "t": -2, "v": 1.5},
            {"n": "current", "t": -1, "v": 1.6},
            {"n": "current", "v": 1.7},
        ]
    )  # fmt: skip
    assert rfc3339(int(batch.times[0])) == "2010-06-08T18:01:11.001Z"
    assert rfc3339(int(batch.times[-1])) == "2010-06-08T18:01:16.001Z"
    found = values(batch)
    assert found["urn:dev:ow:10e2073a01080063:current"] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
    assert found["urn:dev:ow:10e2073a01080063:voltage"][-1] == 120.1
    assert np.isnan(found["urn:dev:ow:10e2073a01080063:voltage"][:-1]).all()


def test_base_values_add_and_last_until_replaced() -> None:
    batch = decode(
        [
            {"bt": 1_770_000_000, "bv": 300, "n": "n2o", "v": 31.5},
            {"n": "n2o", "t": 1, "v": 32},
            {"bv": 0, "n": "n2o", "t": 2, "v": 333},
        ]
    )
    assert values(batch) == {"n2o": [331.5, 332.0, 333.0]}


def test_units_are_converted_once_here() -> None:
    batch = decode(
        [
            {"bt": 1_770_000_000, "n": "t", "u": "K", "v": 293.15},
            {"n": "p", "u": "hPa", "v": 950},
            {"n": "n2o", "u": "ppm", "v": 0.33},
            {"n": "lid", "vb": True},
        ]
    )
    assert values(batch)["t"] == [pytest.approx(20.0)]
    assert values(batch)["p"] == [95000.0]
    assert values(batch)["n2o"] == [pytest.approx(330.0)]
    assert values(batch)["lid"] == [1.0]


def test_relative_times_need_a_time_of_arrival() -> None:
    """Section 4.5.3: below 2**28 a time is relative to now; from there it is absolute."""
    pack = [{"n": "n2o", "t": -5, "v": 331}]
    (reject,) = decode(pack).rejects
    assert "no time of arrival" in reject.reason
    arrived = 1_770_000_000_000_000
    assert decode(pack, now_us=arrived).times[0] == arrived - 5_000_000
    assert decode(pack[:1], now_us=arrived).rejects == ()
    early = decode([{"n": "n2o", "t": 2**28, "v": 331}])
    assert "1978-07-04T21:24:16Z is before 2000" in early.rejects[0].reason


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ({"n": "n2o"}, "outermost value is not an array"),
        ([3], "record 1 is not an object"),
        ([{"n": "n2o", "v": 1, "must_": 2}], "the label 'must_', which must be understood"),
        ([{"bver": 11, "n": "n2o", "v": 1}], "version 11 is higher than 10"),
        ([{"bver": "x", "n": "n2o", "v": 1}], "bver is not a positive whole number"),
        ([{"n": "n2o", "v": "high"}], "v has a value of the wrong kind"),
        ([{"n": 7, "v": 1}], "n has a value of the wrong kind"),
        ([{"n": "n2o", "v": True}], "v has a value of the wrong kind"),
    ],
)
def test_packs_that_are_refused_whole(pack: object, reason: str) -> None:
    with pytest.raises(RecordError, match=reason):
        decode(pack)


@pytest.mark.parametrize("payload", [b"", b"[", b"\xff", b"[1e400]", b"nonsense", b"[" * 5000])
def test_payloads_that_are_no_packs(payload: bytes) -> None:
    with pytest.raises(RecordError):
        decode_pack("topic", payload, UNITS)


@pytest.mark.parametrize(
    ("entry", "reason"),
    [
        ({"n": "n2o", "vs": "high"}, "the value is not a number"),
        ({"n": "n2o"}, "needs exactly one value"),
        ({"n": "n2o", "v": 1, "vb": True}, "needs exactly one value"),
        ({"v": 1}, "no valid name"),
        ({"n": "-n2o", "v": 1}, "no valid name"),
        ({"n": "n2o", "u": "Cel", "v": 1}, "is a temperature"),
        ({"n": "n2o", "u": "furlong", "v": 1}, "is not known"),
        ({"n": "n2o", "t": 1e30, "v": 1}, "out of bounds"),
    ],
)
def test_a_bad_record_costs_its_neighbours_nothing(entry: dict[str, object], reason: str) -> None:
    batch = decode([{"bt": 1_770_000_000}, {"n": "t", "v": 20}, entry, {"n": "lid", "v": 1}])
    assert values(batch) == {"t": [20.0], "lid": [1.0]}
    (reject,) = batch.rejects
    assert reason in reject.reason
    assert reject.reason.startswith("record 3")


def test_unknown_channels_and_labels_are_left_alone() -> None:
    """Section 4.4: labels that are not known are ignored."""
    batch = decode(
        [{"bt": 1_770_000_000, "n": "n2o", "v": 331, "colour": 3}, {"n": "wind", "v": 2}]
    )
    assert values(batch) == {"n2o": [331.0]}
    assert batch.rejects == ()


def test_several_packs_together() -> None:
    packs = [decode([{"bt": 1_770_000_000 + i, "n": "n2o", "v": i}], line=i) for i in (3, 1, 2)]
    batch = together("topic", [*packs, decode([{"bt": 1_770_000_001, "n": "t", "v": 5}], line=9)])
    assert values(batch)["n2o"] == [1.0, 2.0, 3.0]
    assert batch.lines.tolist() == [1, 2, 3]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=6),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "t", "x_"]
            ),
            inner | st.sampled_from(["n2o", "t", "Cel"]),
            max_size=6,
        )
    ),
    max_leaves=20,
)


@given(JSON)
def test_any_json_ends_in_a_batch_or_a_record_error(document: object) -> None:
    try:
        batch = decode_pack("topic", json.dumps(document).encode(), UNITS)
    except RecordError:
        return
    assert np.isfinite(batch.values[~np.isnan(batch.values)]).all()


@given(st.binary(max_size=200))
def test_any_bytes_end_in_a_batch_or_a_record_error(payload: bytes) -> None:
    with contextlib.suppress(RecordError):
        assert decode_pack("topic", payload, UNITS).source == "topic"
