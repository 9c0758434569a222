"""What figures and pages on paper share: fonts, colours, text that can be drawn. Nothing is told by colour alone."""

import unicodedata

from matplotlib import font_manager

# Okabe & Ito 2008, "Color Universal Design": told apart with every common kind of colour blindness
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")
MARKERS = ("o", "s", "^", "D", "v", "P", "X")
BLUE, ORANGE, GREY, PALE = "#0072B2", "#D55E00", "#6b6b6b", "#e4e4e4"
# on paper: those of the page in the light
INK, SOFT_INK, LINE, BAND_FILL, ACCENT, MARK = "#1d2125", "#555c63", "#c9ced3", "#dfe2e5", "#0b5a8f", "#b04a00"
# Fonts for scripts that DejaVu Sans lacks; used where a machine has them
MORE_FONTS = (
    "Noto Sans CJK SC", "Noto Sans CJK JP", "Hiragino Sans", "PingFang SC", "Microsoft YaHei", "Yu Gothic",
    "Malgun Gothic", "WenQuanYi Zen Hei", "Nirmala UI", "Noto Sans Devanagari", "Noto Sans Thai",
)  # fmt: skip


def fonts() -> list[str]:
    """DejaVu Sans, which comes with matplotlib, and what else of MORE_FONTS is installed."""
    installed = {font.name for font in font_manager.fontManager.ttflist}
    return ["DejaVu Sans", *(name for name in MORE_FONTS if name in installed)]


def clean(text: str) -> str:
    """One line without control characters, of any script."""
    return "".join(c for c in " ".join(text.split()) if unicodedata.category(c) not in ("Cc", "Cf", "Cs"))
