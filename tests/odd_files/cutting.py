"""Files cut into pieces that come one by one, and into steps in which one file grows."""

import random
from collections.abc import Iterator

from odd_files.case import OddFile


def lines_of(content: bytes) -> list[bytes]:
    """Lines with their ends, in UTF-16 too where a mark tells of it; a mark stays in the first."""
    end, width = b"\n", 1
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        end, width = (b"\n\0", 2) if content[:2] == b"\xff\xfe" else (b"\0\n", 2)
    lines, start = [], 0
    for at in range(0, len(content), width):
        if content[at : at + width] == end:
            lines.append(content[start : at + width])
            start = at + width
    return lines + ([content[start:]] if start < len(content) else [])


def pieces(case: OddFile) -> dict[str, bytes]:
    """Each file cut at line ends into three, each with the leading lines in front."""
    found = {}
    for name, content in case.files.items():
        lines = lines_of(content)
        head, body = lines[: case.header_lines], lines[case.header_lines :]
        assert len(body) >= 3, (case.id, name)
        mark = content[:2] if not head and content[:2] in (b"\xff\xfe", b"\xfe\xff") else b""
        stem, ending = name.rsplit(".", 1)
        cuts = [0, len(body) // 3, 2 * len(body) // 3, len(body)]
        for i in range(3):
            front = mark if i else b""
            part = front + b"".join(head + body[cuts[i] : cuts[i + 1]])
            found[f"{stem}-{'abc'[i]}.{ending}"] = part
    return found


def steps(case: OddFile, content: bytes) -> Iterator[bytes]:
    """A file in three parts, cut anywhere; always in the same places."""
    # A seed of text gives the same places at every run.
    dice = random.Random(f"{case.id} {len(content)}")
    first, second = sorted(dice.randint(1, max(1, len(content) - 1)) for _ in range(2))
    yield content[:first]
    yield content[first:second]
    yield content[second:]
