"""Properties of every decoder, by hypothesis: bytes at random, and good inputs spoiled."""

import pytest
from decoders import DECODERS, SEEDS
from hypothesis import given, settings
from hypothesis import strategies as st

EXAMPLES = 150


@st.composite
def spoiled(draw: st.DrawFn, seeds: list[bytes]) -> bytes:
    """A good input with some bytes replaced, taken away, doubled or put in."""
    data = bytearray(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        what = draw(st.sampled_from(["replace", "cut", "double", "insert", "swap"]))
        if what == "replace" and data:
            data[at] = draw(st.integers(0, 255))
        elif what == "cut":
            del data[at : at + draw(st.integers(1, 9))]
        elif what == "double":
            data[at:at] = data[at : at + draw(st.integers(1, 40))]
        elif what == "insert":
            words = [b"NaN", b"-", b"1e999", b"\x00", b"\n", b"[", b"}", b"\xff", b"9" * 30, b'"']
            data[at:at] = draw(st.sampled_from([*words, b"\xed\xa0\x80", b"\\ud800"]))
        else:
            data = bytearray(data[at:] + data[:at])
    return bytes(data)


@pytest.mark.parametrize("name", DECODERS)
def test_no_bytes_break_a_decoder(name: str) -> None:
    decode = DECODERS[name]

    @settings(max_examples=EXAMPLES, deadline=None)
    @given(st.binary(max_size=300) | spoiled(SEEDS[name]))
    def run(data: bytes) -> None:
        decode(data)

    run()
    for seed in SEEDS[name]:
        decode(seed)
