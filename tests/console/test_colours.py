"""What is left without colour, and that state colours can be told from the ground in every theme."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tracker.console.pane import Pane
from tracker.console.settings import Settings
from tracker.console.terminal import THEMES
from tracker.forecast.figures import Alert


def _channel(value: int) -> float:
    share = value / 255
    return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4


def luminance(colour: str) -> float:
    """Return the relative luminance of WCAG 2.2."""
    red, green, blue = (_channel(int(colour[k : k + 2], 16)) for k in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of WCAG 2.2."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_ratio_of_black_and_white_is_that_of_the_standard() -> None:
    """WCAG 2.2: ratios range from 1 to 21."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#777777") == pytest.approx(1.0)


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_text_can_be_read_in_every_theme(theme: Any) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.6: 7 to 1 where contrast is to be high."""
    least = 7.0 if theme.name == "tracker-contrast" else 4.5
    roles = theme.variables
    for ink in ("ink-text", "ink-dim", "ink-accent", "ink-late"):
        assert contrast(roles[ink], roles["ink-ground"]) >= least, ink


def hex_of(colour: Any) -> str:
    """Return a colour of a style as `#rrggbb`."""
    return "#{:02x}{:02x}{:02x}".format(*colour.get_truecolor())


def ratio(style: Any) -> float:
    """Return the contrast of a style's own two colours."""
    back, front = (style.bgcolor, style.color) if not style.reverse else (style.color, style.bgcolor)
    return contrast(hex_of(front), hex_of(back))


ACT = Alert("confidence", "chance 69 %", False, "confidence", "act")


def grey(colour: Any) -> bool:
    triplet = colour.get_truecolor()
    return bool(max(triplet) - min(triplet) <= 3)


@pytest.mark.parametrize("theme", ["dark", "light", "contrast", "safe"])
async def test_without_colour_bars_words_and_the_chosen_line_remain(
    at_desk: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, theme: str
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with at_desk(settings=Settings(theme=theme)) as at:
        assert at.desk.app.no_color
        await at.press("z", "1")
        at.estimate(alerts=(ACT,))
        await at.press("down")
        strips = at.desk.app.screen._compositor.render_strips()
        filters = [f for f in at.desk.app._filters if f.enabled]
        assert filters
        ground = at.desk.background_colors[1]
        shown: dict[str, Any] = {}
        for strip in strips:
            seen = strip
            for one in filters:
                seen = seen.apply_filter(one, ground)
            for segment in seen:
                shown[segment.text.strip()] = segment.style
                style = segment.style
                if style is None or not segment.text.strip():
                    continue
                assert style.color is None or grey(style.color), segment
                assert style.bgcolor is None or grey(style.bgcolor), segment
                assert style.color != style.bgcolor, f"cannot be seen: {segment}"
        runway = at.desk.query_one("#runway", Pane).lines
        bars = ["".join(span.text for span in line) for line in runway[2:4]]
        assert all("▐" in bar or "▌" in bar or "█" in bar or "[" in bar for bar in bars), bars
        mark, words, text = (shown[one] for one in ("!! ACT", ACT.text, "Read out the checks before leaving"))
        assert mark.bold and mark.reverse and ratio(mark) >= 4.5, "what acts stands out by more than colour"
        assert not (text.bold and text.reverse), "and by more than all other text"
        assert ratio(words) >= ratio(text) and not words.dim, "no alert is dimmer than text"


async def test_every_word_as_it_is_drawn_stands_out_in_every_theme(at_desk: Callable[..., Any]) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text."""
    async with at_desk((100, 30)) as at:
        await at.press("z", "1")
        at.estimate(alerts=(ACT,))
        measured = set()
        for theme in THEMES:
            at.desk.app.theme = theme.name
            for keys in (("down", "e"), ("escape",)):
                await at.press(*keys)
                for segment in (s for strip in at.desk.app.screen._compositor.render_strips() for s in strip):
                    style = segment.style
                    if (
                        style is None
                        or style.color is None
                        or style.bgcolor is None
                        or not segment.text.strip()
                    ):
                        continue
                    pair = [colour.get_truecolor() for colour in (style.color, style.bgcolor)]
                    assert ratio(style) >= 4.5, (theme.name, segment.text, ratio(style))
                    measured.add((theme.name, *pair))
        assert len(measured) >= 4 * len(THEMES)
