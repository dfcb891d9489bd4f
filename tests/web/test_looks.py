"""The colours of every look can be read: contrast as WCAG 2.2 defines it, 1.4.3, 1.4.6 and 1.4.11."""

import re
from itertools import product

import pytest

from web.site import STATIC

CSS = (STATIC / "style.css").read_text(encoding="utf-8")


def block(selector: str, start: int = 0) -> dict[str, str]:
    """The colours that a rule sets."""
    at = CSS.index(selector + " {", start)
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", CSS[at : CSS.index("}", at)]))


PLAIN = block(":root")
LOOKS = {
    "plain": PLAIN,
    "plain, dark": PLAIN | block(':root[data-look="plain"]'),
    "day": PLAIN | block(':root[data-look="day"]'),
    "night": PLAIN | block(':root[data-look="night"]'),
}
WORDS = ("ink", "soft", "stop", "fine")
DRAWN = ("rope", "stop", "fix-edge", "frost")
NORMAL_TEXT, ENHANCED_TEXT, DRAWING = 4.5, 7.0, 3.0


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, definition)."""
    parts = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


# Worked by coloraide 8.13.1, the reference library for these.
@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        ("#000000", "#ffffff", 21.0),
        ("#767676", "#ffffff", 4.5422),
        ("#777777", "#ffffff", 4.4781),
        ("#0000ff", "#ffffff", 8.5925),
        ("#ffff00", "#000000", 19.556),
    ],
)
def test_contrast_is_worked_out_as_others_do(one: str, other: str, ratio: float) -> None:
    assert contrast(one, other) == pytest.approx(ratio, abs=0.002)


@pytest.mark.parametrize(("look", "word"), list(product(LOOKS, WORDS)))
def test_words_can_be_read(look: str, word: str) -> None:
    least = NORMAL_TEXT if look == "night" else ENHANCED_TEXT
    for ground in ("paper", "ground", "cold"):
        on_picture = ground != "paper"
        if on_picture and word != "ink":
            continue
        assert contrast(LOOKS[look][word], LOOKS[look][ground]) >= (NORMAL_TEXT if on_picture else least)


@pytest.mark.parametrize(("look", "line"), list(product(LOOKS, DRAWN)))
def test_what_is_drawn_can_be_seen(look: str, line: str) -> None:
    assert contrast(LOOKS[look][line], LOOKS[look]["paper"]) >= DRAWING


def test_the_day_look_has_the_most_contrast_there_is() -> None:
    assert contrast(LOOKS["day"]["ink"], LOOKS["day"]["paper"]) == pytest.approx(21.0)


def test_the_night_look_shows_nothing_but_red_on_black() -> None:
    for name, colour in block(':root[data-look="night"]').items():
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        assert red == green == blue == 0 or (red > 2.5 * green and red > 2.5 * blue), name


def test_no_font_and_no_picture_is_fetched_by_the_style() -> None:
    assert "url(" not in CSS
    assert "@import" not in CSS
    assert "@font-face" not in CSS


def test_motion_only_for_those_who_do_not_mind() -> None:
    allowed = CSS.index("prefers-reduced-motion: no-preference")
    assert all(match.start() > allowed for match in re.finditer(r"\b(transition|animation)\b", CSS))
