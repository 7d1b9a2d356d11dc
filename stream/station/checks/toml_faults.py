"""What is wrong with a station file that is not TOML, and what to write in its place.

The parser says where it stopped; what people usually mean there is told in their words.
"""

import re
from collections.abc import Callable, Iterator
from typing import Final

_AT: Final = re.compile(r"^(.*?) \(at (?:line (\d+), column \d+|end of document)\)$")
_KEY: Final = re.compile(r"""^\s*([A-Za-z0-9_."'-]+(?:\s+[A-Za-z0-9_-]+)*)\s*=\s*(.*?)\s*$""")
_COMMA: Final = re.compile(r"([\w-]+)\s*=\s*([+-]?\d+),(\d+)(?=\s*(?:[}\],#]|$))")
_TEXTS: Final = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')
_UNSHUT: Final = re.compile(r'([\w-]+)\s*=\s*"([^"=,{}\[\]]*)(?:,\s*[\w-]+\s*=|\s*[}\]])')
_UNBEGUN: Final = re.compile(r'([\w-]+)\s*=\s*([^"\s=,{}\[\]][^"=,{}\[\]]*)"')
"""A text within a table that is not closed before the next key, or that is not begun."""
_SECRET: Final = re.compile(r"(?:password|token|url)\s*[=:]?\s*([^,}#]*)")
_DOUBLED: Final = re.compile(r"Cannot declare \((.*?),?\) twice")
_CURLY: Final = "\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb"
_PARTED: Final = re.compile(r"^[+-]?\d{1,3}(?:[ '_\u00a0]\d{3})+(?:\.\d+)?$")
"""A number with something between its thousands."""
_WORDS: Final = {"yes": "true", "on": "true", "no": "false", "off": "false"}

Finding = str | None


def toml_faults(text: str, told: str) -> list[str]:
    """One line for each fault: "line 14: what is wrong. What to write."

    Parameters
    ----------
    text : str
        Of the file.
    told : str
        What the parser said.
    """
    lines = text.replace("\r\n", "\n").split("\n")
    match = _AT.match(told)
    why = match[1] if match else told
    at = int(match[2]) if match and match[2] else _last(lines)
    commas = list(_commas(lines))
    if commas and any(number == at for number, _ in commas):
        return [f"line {number}: {words}" for number, words in commas]
    doubled = _DOUBLED.match(why)
    if doubled is not None:
        return [_twice(lines, at, doubled[1])]
    line = lines[at - 1] if at <= len(lines) else ""
    odd = _odd_quotes(line)
    if odd is not None:
        return [f"line {at}: {_hidden(line, odd)}"]
    begun = _left_open(lines, at)
    if begun is not None:
        return [begun]
    found = next((words for look in _LOOKS if (words := look(line, why)) is not None), None)
    if found is None:
        shown = line.strip()[:60]
        reason = f"{why[:1].lower()}{why[1:]}"
        found = f"{shown!r} is not TOML: {reason}. Compare it with configs/station.toml"
    return [f"line {at}: {_hidden(line, found)}"]


def _hidden(line: str, words: str) -> str:
    """What is said of a line, without a password or an address that it holds."""
    for value in _SECRET.findall(line):
        plain = value.strip().strip("\"'\u201c\u201d\u201e")
        words = words.replace(plain, "…") if plain else words
    return words


def _last(lines: list[str]) -> int:
    return next((i for i in range(len(lines), 0, -1) if lines[i - 1].strip()), 1)


def _plain(line: str) -> str:
    """A line without its texts and its comment, each as long as before."""
    bare = _TEXTS.sub(lambda m: "_" * len(m[0]), line)
    cut = bare.find("#")
    return bare if cut < 0 else bare[:cut]


def _commas(lines: list[str]) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(lines, 1):
        for match in _COMMA.finditer(_plain(line)):
            yield (
                number,
                f"{match[0]} has a decimal comma. Write {match[2]}.{match[3]}: the decimal mark is"
                " a point",
            )


def _twice(lines: list[str], at: int, names: str) -> str:
    name = ".".join(re.findall(r"'([^']*)'", names))
    heads = [i for i, line in enumerate(lines, 1) if _head(line) == name and i != at]
    also = f", first in line {heads[0]}" if heads else ""
    if name in ("sources", "analyzers", "chambers", "events", "analyzers.standards"):
        return f"line {at}: [{name}] stands twice{also}. Write [[{name}]] for each of several"
    return f"line {at}: the table [{name}] stands twice{also}. Put all of its keys under one"


def _head(line: str) -> str | None:
    match = re.match(r"^\s*\[\[?\s*(.*?)\s*\]\]?", line)
    return None if match is None else ".".join(p.strip().strip("\"'") for p in match[1].split("."))


def _left_open(lines: list[str], at: int) -> Finding:
    """A list that is not closed before the next key or table begins."""
    depth, begun = 0, 0
    for number, line in enumerate(lines[:at], 1):
        bare = _plain(line)
        if depth > 0 and (
            re.match(r"^\s*\[\[?[A-Za-z]", line) or re.match(r"^\s*[\w-]+\s*=", bare)
        ):
            first = lines[begun - 1].strip()[:60]
            return (
                f"line {begun}: the list that begins with {first!r} is not closed. Close it with ]"
            )
        if depth == 0 and _KEY.match(line) is None:
            continue
        value = bare.partition("=")[2] if depth == 0 else bare
        change = value.count("[") - value.count("]")
        if depth == 0 and change > 0:
            begun = number
        depth = max(0, depth + change)
    if depth > 0 and at >= _last(lines):
        first = lines[begun - 1].strip()[:60]
        return f"line {begun}: the list that begins with {first!r} is not closed. Close it with ]"
    return None


def _odd_quotes(line: str) -> Finding:
    """A quote that is missing within a list or a table on one line."""
    match = _KEY.match(line)
    value = line.strip() if match is None else match[2]
    if value[:1] not in ("{", "[") or any(c in line for c in _CURLY):
        return None
    if '"' not in _plain(value) or '"""' in value:
        return None
    told = "a quote is missing: their number on this line is odd"
    shut = _UNSHUT.search(value)
    if shut is not None:
        return f'{told}. Write {shut[1]} = "{shut[2].strip()}"'
    begun = _UNBEGUN.search(value)
    if begun is not None:
        return f'{told}. Write {begun[1]} = "{begun[2].strip()}"'
    return f"{told}. Write one at both ends of each text"


def _curly(line: str, why: str) -> Finding:
    bare = _TEXTS.sub("", line)
    signs = [c for c in bare.partition("#")[0] if c in _CURLY]
    return None if not signs else f'{signs[0]} is a typographic quote. Write the straight one, "'


def _comment(line: str, why: str) -> Finding:
    bare = _plain(line)
    match = re.search(r"(?:^|\s)(//|;|--|%(?=\s*\w))", bare)
    if match is None or '"' in bare[: match.start(1)]:
        return None
    return f"a remark does not begin with {match[1]}. Begin it with #"


def _table(line: str, why: str) -> Finding:
    stripped = _plain(line).strip()
    if not stripped.startswith("["):
        return None
    name = line.strip().partition("#")[0].strip().strip("[]").strip()
    double = stripped.startswith("[[")
    if not name:
        return "the head of a table has no name. Write one, like [closure]"
    wanted = f"[[{name}]]" if double else f"[{name}]"
    if " " in name and '"' not in name:
        last = name.rpartition(".")
        return f'a name with a blank needs quotes. Write [{last[0]}{last[1]}"{last[2]}"]'
    return f"the head of a table is not complete. Write {wanted}"


def _without_sign(line: str, why: str) -> Finding:
    bare = _plain(line)
    if "=" in bare:
        return None
    stripped = line.strip()
    if stripped[:1] in "[{":
        return None
    kept = line[: len(bare)]
    match = re.match(r"^\s*([A-Za-z0-9_-]+)\s*(:?)\s*(\S.*)$", kept)
    if match is None or not (match[2] or match[3][:1] in "\"'[{" or match[3][:1].isdigit()):
        word = line.strip()[:60]
        return f"{word!r} is no key with a value. Write KEY = VALUE, or # before a remark"
    sign = "has : where = belongs" if match[2] else "has no ="
    return f"{match[1]} {sign}. Write {match[1]} = {match[3].strip()[:60]}"


def _entry(line: str, why: str) -> Finding:
    """One line of a list of tables."""
    stripped = _plain(line).strip()
    return _nested("this entry", line.strip()) if stripped.startswith("{") else None


def _value(line: str, why: str) -> Finding:
    match = _KEY.match(line)
    if match is None:
        return None
    key, value = match[1], match[2]
    bare = value.partition("#")[0].strip() if '"' not in value and "'" not in value else value
    if " " in key and "." not in key:
        return f'{key!r} holds a blank. Write {key.replace(" ", "_")}, or "{key}" in quotes'
    if bare[:1] == "=":
        return f"{key} has = twice. Write it once"
    if not bare:
        return f"{key} has no value. Write one behind the =, or remove the line"
    return next((words for look in _VALUES if (words := look(key, bare)) is not None), None)


def _quoted(key: str, value: str) -> Finding:
    """A value that begins like text."""
    if "\\" in value and value[0] == '"':
        plain = value.strip('"')
        return f"\\ has a meaning of its own between \" and \". Write {key} = '{plain}'"
    if value[0] in "\"'":
        mark = value[0]
        if mark not in value[1:]:
            inner = value[1:].partition("#")[0].strip()
            return f"a quote is missing. Write {key} = {mark}{inner}{mark}"
        rest = value[value.index(mark, 1) + 1 :].strip()
        return f"{rest[:40]!r} stands behind the text of {key}. Remove it, or put # before it"
    if value[-1] in "\"'" and value.count(value[-1]) == 1:
        return f"a quote is missing. Write {key} = {value[-1]}{value}"
    return None


def _number(key: str, value: str) -> Finding:
    """A value that begins like a number."""
    plain = value.replace("\u2212", "-")
    if plain != value:
        return f"{value[0]} is no minus sign. Write {key} = {plain}"
    if _PARTED.match(value):
        return f"{key} has marks between its thousands. Write {_digits(value)}"
    if re.match(r"^[+-]?\.\d+$", value):
        return f"{key} = {value} has no digit before its point. Write {value.replace('.', '0.')}"
    if re.match(r"^[+-]?\d+\.$", value):
        return f"{key} = {value} has no digit behind its point. Write {value}0"
    if re.match(r"^[+-]?0\d+(?:\.\d+)?$", value):
        number = re.sub(r"^([+-]?)0+(?=\d)", r"\1", value)
        return (
            f'{key} = {value} begins with a nought. Write {number}, or "{value}" where it is text'
        )
    match = re.match(r"^([+-]?\d+(?:\.\d+)?)\s*([A-Za-z%°µ][\w%°µ/.^-]*)$", value)
    if match is not None and not re.match(r"^\d{4}$", match[1]):
        return f"{key} = {value} has a unit. Write {match[1]}: the unit is part of the key"
    return None


def _digits(text: str) -> str:
    return re.sub(r"[^0-9.+-]", "", text)


def _nested(key: str, value: str) -> Finding:
    """A list or a table on one line."""
    if value[0] not in "[{":
        return None
    bare = _plain(value)
    if bare.count("{") > bare.count("}"):
        return f"the table of {key} is not closed. Close it with }} on the same line"
    if bare.count("[") > bare.count("]"):
        return f"the list of {key} is not closed. Close it with ]"
    if re.search(r",\s*}", bare):
        return f"a comma stands before }} in {key}. Remove it"
    if re.search(r",\s*,", bare):
        return f"two commas stand side by side in {key}. Remove one"
    date = re.search(r"=\s*(\d{1,4}[-./]\d{1,2}[-./]\d{1,4}[^,}]*)", bare)
    if date is not None:
        shown = date[1].strip()
        return f'the time {shown} needs quotes. Write it like "2026-05-04T00:00:00+02:00"'
    word = re.search(r"[=\[,]\s*(?!true\b|false\b)([A-Za-z][\w./-]*)(?!\s*=)(?![\w./-])", bare)
    if word is not None:
        return f'text needs quotes. Write "{word[1]}" in {key}'
    for part in bare.strip("[]").split(",") if bare.count(",") else []:
        if _PARTED.match(part.strip()):
            return f"{part.strip()} has marks between its thousands. Write {_digits(part)}"
    return f"a comma is missing between two parts of {key}. Write it"


def _word(key: str, value: str) -> Finding:
    """A value that is text without its quotes."""
    plain = _WORDS.get(value.lower(), value.lower())
    if plain in ("true", "false"):
        return f"{key} = {value} is no value of TOML. Write {plain}"
    inner = value.replace('"', "")
    return f'text needs quotes. Write {key} = "{inner}"'


_VALUES: Final[tuple[Callable[[str, str], Finding], ...]] = (_quoted, _number, _nested, _word)


def _overwritten(line: str, why: str) -> Finding:
    match = _KEY.match(line)
    if match is not None and ("overwrite" in why or "Duplicate" in why):
        return f"{match[1]} is given twice. Keep one of them"
    head = _head(line)
    if head is not None and re.match(r"Cannot (overwrite|mutate)", why):
        return (
            f"{head} is there already, written in another way. Write all of it in one way:"
            f" [[{head}]] for each of several, or {head} = [ … ] before the first table"
        )
    return None


_LOOKS: Final[tuple[Callable[[str, str], Finding], ...]] = (
    _overwritten, _curly, _table, _comment, _entry, _without_sign, _value,
)  # fmt: skip
