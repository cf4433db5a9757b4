"""A CSV file as spreadsheets write it, to cells with their line and a name for each column.

Nothing is understood here but the form: encoding, separator, quoting, and which row names the columns.
The person's file is untrusted input: any bytes give a table, never an exception.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

UNITS = ("m", "cm", "mm", "ft", "in", "feet", "inch", "inches", "metres", "meters", "deg", "degrees", "k", "fps")
SEPARATORS = ",;\t|"
_LONGEST_CELL = 20_000
_NOT_WORD = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True, kw_only=True, slots=True)
class CellRow:
    """One row: the line it begins on (from 1), its cells by column name (known columns under our name,
    others as their header is written), and what stood beyond the last named column."""

    line: int
    cells: Mapping[str, str]
    beyond: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """``header_line`` is 0 where no row names the columns; then there are no rows and ``first_line``
    holds the first written row, for the question.  ``units`` are those that headers name ("height (cm)").
    ``problems`` are (line, what was written, words)."""

    rows: tuple[CellRow, ...] = ()
    columns: tuple[str, ...] = ()
    header_line: int = 0
    first_line: str = ""
    separator: str = ","
    units: Mapping[str, str] = field(default_factory=dict)
    problems: tuple[tuple[int, str, str], ...] = ()


def decoded(data: bytes) -> str:
    r"""Text of a spreadsheet's CSV: UTF-8 or UTF-16 (with or without byte-order mark), else Windows-1252.

    Windows-1252 is the usual export of spreadsheets that do not write UTF-8 (common practice, no source).
    Without a mark, UTF-16 shows itself by a NUL in every other byte of plain text.

    >>> decoded("Höhe".encode("utf-16-le")), decoded("Höhe".encode("cp1252")), decoded(b"\xef\xbb\xbfday")
    ('Höhe', 'Höhe', 'day')
    """
    return data.decode(_encoding(data), "replace").lstrip("\ufeff")


def _encoding(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    head = data[:2000]
    if len(head) >= 4 and head.count(0) * 4 >= len(head):
        return "utf-16-be" if head[0::2].count(0) > head[1::2].count(0) else "utf-16-le"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


_PLAIN_SIGNS = frozenset("’‘‚“”„«»‹›–—…°ºª¹²³¼½¾·×±´¨§€£¿¡®©\u00a0")
_RUN = re.compile(r"[^\x00-\x7f]{3}")


def _misread(data: bytes) -> Iterator[tuple[int, str, str]]:
    """The first line of a Windows-1252 file whose letters read as none: signs and runs of accents such as another
    script's encoding leaves when it is taken for that one."""
    if _encoding(data) != "cp1252":
        return
    for number, line in enumerate(decoded(data).replace("\r\n", "\n").replace("\r", "\n").split("\n"), 1):
        odd = any(not (ch.isascii() or ch.isalpha() or ch in _PLAIN_SIGNS) for ch in line)
        if odd or _RUN.search(line):
            yield number, line.strip()[:80], ("is not UTF-8, and makes no sense as Western European text either; save "
                                              "the file as CSV UTF-8")
            return


def plain(header: str) -> str:
    """A header reduced to its letters and figures, for comparing.

    >>> plain(" T-Stop "), plain("Camera_Letter*"), plain("Höhe (m)")
    ('t stop', 'camera letter', 'hohe m')
    """
    ascii_text = unicodedata.normalize("NFKD", header).encode("ascii", "ignore").decode().lower()
    return _NOT_WORD.sub(" ", ascii_text).strip()


def lookup(synonyms: Mapping[str, Collection[str]]) -> dict[str, str]:
    """Reduced header -> our column name, from our names with their other spellings."""
    found: dict[str, str] = {}
    for name, others in synonyms.items():
        for spelling in (name, *others):
            found.setdefault(plain(spelling), name)
    return found


def _known(header: str, known: Mapping[str, str]) -> tuple[str, str]:
    """Our name for a header and the unit it ends with; ("", "") for a header of the person's own."""
    words = plain(header)
    if words in known:
        return known[words], ""
    head, _, unit = words.rpartition(" ")
    return (known[head], unit) if unit in UNITS and head in known else ("", "")


def _named(cells: Sequence[str], known: Mapping[str, str]) -> list[str]:
    """Column names of a header row; a name met twice gets a number, an empty one its place."""
    names: list[str] = []
    for place, cell in enumerate(cells, 1):
        name = _known(cell, known)[0] or cell.strip() or f"column {place}"
        twin = 2
        while name in names:
            name = f"{name.removesuffix(f' ({twin - 1})')} ({twin})"
            twin += 1
        names.append(name)
    return names


def _is_header(cells: Sequence[str], known: Mapping[str, str], needed: Collection[str]) -> bool:
    names = [name for c in cells if (name := _known(c, known)[0])]
    written = sum(bool(c.strip()) for c in cells)
    return len(set(names)) >= 2 and any(n in needed for n in names) and 2 * len(names) >= written


def _split(text: str, separator: str) -> tuple[list[tuple[int, list[str]]], list[tuple[int, str, str]]]:
    """(line, cells) of every row, and what could not be split."""
    rows: list[tuple[int, list[str]]] = []
    problems: list[tuple[int, str, str]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
    line = 1
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return rows, problems
        except csv.Error as error:  # a cell longer than csv allows
            words = f"cannot be split into cells ({error}); save the file as plain CSV again"
            problems.append((line, "", words))
        else:
            rows.append((line, [_clean(c) for c in cells]))
        line = reader.line_num + 1


def _clean(cell: str) -> str:
    """A cell without what spreadsheets leave around it: no-break spaces, NULs, marks, the text apostrophe."""
    text = cell.replace("\xa0", " ").replace("\u202f", " ").replace("\x00", "").replace("\ufeff", "")
    return text.strip()[:_LONGEST_CELL]


def _best_separator(lines: Sequence[str], known: Mapping[str, str]) -> str:
    """The separator under which some early row holds most known headers; a tie goes to the comma."""

    def headers(separator: str) -> int:
        return max((sum(bool(_known(c, known)[0]) for c in line.split(separator)) for line in lines), default=0)

    return max(SEPARATORS, key=lambda s: (headers(s), -SEPARATORS.index(s)))


def read_table(data: bytes | str, *, synonyms: Mapping[str, Collection[str]], needed: Collection[str]) -> Table:
    """The cells of a CSV file under their columns' names.

    ``synonyms`` are our column names with other spellings; a row counts as header when at least two of
    its cells are known, one of them in ``needed``, and half of what is written is known.  Title rows
    above are skipped; a header met again (two logs pasted together) names the columns from there on.
    Blank rows vanish.  A row longer than its header spills into a last ``notes`` column (an unquoted
    comma), elsewhere into ``beyond``.
    """
    text = decoded(data) if isinstance(data, bytes) else data.lstrip("\ufeff")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    known = lookup(synonyms)
    first, _, rest = text.partition("\n")
    announced = re.fullmatch(r'"?sep=(.)"?\s*', first)  # a spreadsheet's own hint
    separator = announced.group(1) if announced else _best_separator(text.split("\n")[:40], known)
    if announced:
        text = "\n" + rest  # the line stays, empty, so that line numbers hold
    if separator in '"\n\r\x00':
        separator = ","
    written, problems = _split(text, separator)
    if isinstance(data, bytes):
        problems += _misread(data)
    names: list[str] = []
    columns: list[str] = []
    units: dict[str, str] = {}
    rows: list[CellRow] = []
    header_line = 0
    first_row = ""
    for line, cells in written:
        if not any(cells):
            continue
        if _is_header(cells, known, needed):
            names = _named(cells, known)
            said = zip(names, (_known(cell, known)[1] for cell in cells), strict=True)
            units.update({name: unit for name, unit in said if unit})
            columns += [n for n in names if n not in columns]
            header_line = header_line or line
        elif names:
            rows.append(_row(line, cells, names, separator))
        elif not first_row:
            first_row = separator.join(cells)
    return Table(rows=tuple(rows), columns=tuple(columns), header_line=header_line, first_line=first_row[:200],
                 separator=separator, units=units, problems=tuple(problems))


def _row(line: int, cells: list[str], names: list[str], separator: str) -> CellRow:
    beyond = list(cells[len(names):])
    while beyond and not beyond[-1]:
        beyond.pop()
    if beyond and names[-1] == "notes":
        joined = f"{separator} " if separator in ",;" else " "
        cells = [*cells[: len(names) - 1], joined.join(cells[len(names) - 1 : len(names) + len(beyond)])]
        beyond = []
    given = dict(zip(names, [*cells, *[""] * len(names)], strict=False))
    return CellRow(line=line, cells=given, beyond=tuple(beyond))
