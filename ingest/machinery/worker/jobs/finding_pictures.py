"""Findings as one picture: a numbered row each, its words above what shows it."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from ingest.machinery.worker.jobs.merge_comparison import gap, row, words

U8 = npt.NDArray[np.uint8]
MARK = (230, 30, 30)
_BETWEEN = 14  # pixels


def page(
    findings: Sequence[Mapping[str, Any]], cells: Callable[[Mapping[str, Any]], Sequence[tuple[str, U8]]]
) -> tuple[list[dict[str, Any]], str]:
    """The findings, each with the number of its row (``picture``), and the rows as one JPEG in base64.

    ``cells`` answers what shows a finding: words and sRGB codes (h, w, 3), one beside the other.
    """
    rows, out = [], []
    for number, finding in enumerate(findings, 1):
        rows.append(_row(number, finding, cells(finding)))
        out.append({**finding, "picture": number})
    width = max(r.shape[1] for r in rows)
    whole = np.vstack([np.hstack([r, gap(r.shape[0], width - r.shape[1])]) for r in rows])
    data = cv2.imencode(".jpg", np.ascontiguousarray(whole[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 88])[1]
    return out, base64.b64encode(np.asarray(data).tobytes()).decode("ascii")


def _row(number: int, finding: Mapping[str, Any], cells: Sequence[tuple[str, U8]]) -> U8:
    width = sum(c.shape[1] for _, c in cells) + _BETWEEN * (len(cells) - 1)
    head = [f"{number}  {finding['kind'].replace('_', ' ')}, confidence {finding.get('confidence') or 0:.2f}",
            *_folded(str(finding["what"]), max(40, width // 8))]
    shown = [np.vstack([words([told], picture.shape[1]), picture]) for told, picture in cells]
    return np.vstack([words(head, width), row(shown), gap(_BETWEEN, width)])


def _folded(text: str, columns: int) -> list[str]:
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) + 1 > columns and lines[-1]:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
