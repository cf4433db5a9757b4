"""expected_cards.csv: which cards a shoot day owes."""

from __future__ import annotations

from ingest.records.measurements import ExpectedCard
from ingest.records.setups import Question
from ingest.steps.setups.cells import read_table
from ingest.steps.setups.moments import DateOrder, Unclear, parse_day

FIRST = ("day", "card", "body", "kind", "unit", "count", "notes")
SYNONYMS: dict[str, tuple[str, ...]] = {
    "day": ("date", "shoot day"),
    "card": ("roll", "label", "name", "card name", "roll name", "reel"),
    "body": ("camera", "device", "recorder", "from"),
    "kind": ("type", "what"),
    "unit": ("shooting unit",),
    "count": ("number", "cards", "how many", "qty"),
    "notes": ("note", "comment", "remarks"),
}


def read_expected(
    data: bytes | str, *, date_order: str = "ask", file: str = "expected_cards.csv"
) -> tuple[tuple[ExpectedCard, ...], tuple[Question, ...]]:
    """Cards due by day.  A row names a card (its roll or label) or counts cards of a body or kind."""
    table = read_table(data, synonyms=SYNONYMS, needed=("card", "body", "kind"))
    cards: list[ExpectedCard] = []
    questions: list[Question] = []
    if not table.header_line and table.first_line:
        questions.append(Question(file=file, line=1, column="", written=table.first_line,
                                  asks=f"no row names the columns; expected {','.join(FIRST)}"))
    for row in table.rows:
        column = "day"
        try:
            day = parse_day(row.cells.get("day", ""), DateOrder(date_order)).isoformat()
            column = "count"
            count = _count(row.cells.get("count", ""))
            column = "card"
            if not any(row.cells.get(c) for c in ("card", "body", "kind")):
                raise Unclear("no card; expected its roll or label, or a body or kind and how many")
        except Unclear as unclear:
            questions.append(Question(file=file, line=row.line, column=column, written=row.cells.get(column, ""),
                                      asks=str(unclear)))
            continue
        texts = {c: row.cells.get(c, "") for c in ("card", "body", "kind", "unit", "notes")}
        cards.append(ExpectedCard(line=row.line, day=day, count=count, **texts))
    return tuple(cards), tuple(questions)


def _count(written: str) -> int:
    if not written:
        return 1
    if not written.isascii() or not written.isdigit() or not 1 <= int(written) <= 200:
        raise Unclear("is no number of cards; expected 1 to 200")
    return int(written)
