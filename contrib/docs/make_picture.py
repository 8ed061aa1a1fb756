"""Makes a picture of what a terminal showed: text on stdin, SVG on stdout.

contrib/try 2>&1 | tail -n 19 | python contrib/docs/make_picture.py > contrib/docs/demo.svg
"""

from __future__ import annotations

import sys
from html import escape
from typing import Final

FONT_PX: Final = 14
LINE_PX: Final = 18
COLUMN_PX: Final = 8.43
MARGIN_PX: Final = 16


def picture(text: str) -> str:
    """Each line is stretched to its columns, so that frames close whatever the font."""
    lines = text.rstrip("\n").splitlines()
    width = max(map(len, lines), default=0) * COLUMN_PX + 2 * MARGIN_PX
    height = len(lines) * LINE_PX + 2 * MARGIN_PX
    rows = [
        f'<text x="{MARGIN_PX}" y="{MARGIN_PX + LINE_PX * place + FONT_PX}" '
        f'textLength="{len(line) * COLUMN_PX:.1f}" xml:space="preserve">{escape(line)}</text>'
        for place, line in enumerate(lines)
        if line.strip()
    ]
    size = f'width="{width:.0f}" height="{height}"'
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height}" {size}>',
            '<rect width="100%" height="100%" rx="8" fill="#1b1e24"/>',
            f'<g font-family="DejaVu Sans Mono, Menlo, Consolas, monospace" font-size="{FONT_PX}" fill="#e6e6e6">',
            *rows,
            "</g>",
            "</svg>",
        ]
    )


if __name__ == "__main__":
    sys.stdout.write(picture(sys.stdin.read()) + "\n")
