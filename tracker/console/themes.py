"""The looks: one accent, greys, and two state colours that all eyes tell apart; each role is a variable."""

from __future__ import annotations

from textual.theme import Theme

DEFAULT = "tracker-dark"


def _theme(
    name: str,
    *,
    dark: bool,
    ground: str,
    text: str,
    grey: str,
    accent: str,
    going: str,
    late: str,
    raised: str,
) -> Theme:
    """Return a theme whose roles follow from nine colours."""
    return Theme(
        name=name,
        primary=accent,
        secondary=going,
        accent=accent,
        warning=late,
        error=late,
        success=going,
        foreground=text,
        background=ground,
        surface=ground,
        panel=raised,
        dark=dark,
        variables={
            "ink-dim": grey,
            "ink-accent": accent,
            "ink-going": going,
            "ink-late": late,
            "ink-ground": ground,
            "ink-text": text,
            "ink-raised": raised,
        },
    )


THEMES = (
    _theme(
        DEFAULT, dark=True, ground="#14171a", text="#d6d9dc", grey="#8b949c",
        accent="#e3d9b8", going="#6fb1e8", late="#f0a04b", raised="#22272c",
    ),
    _theme(
        "tracker-light", dark=False, ground="#f7f6f2", text="#22262a", grey="#646c74",
        accent="#5b4a12", going="#0b5ea8", late="#a84e00", raised="#e4e2da",
    ),
    _theme(
        "tracker-contrast", dark=True, ground="#000000", text="#ffffff", grey="#c8c8c8",
        accent="#ffffff", going="#7cc4ff", late="#ffb000", raised="#303030",
    ),
    # Blue and vermilion-orange of the palette of Okabe and Ito (2002), which all common kinds of colour
    # blindness tell apart.
    _theme(
        "tracker-safe", dark=True, ground="#101010", text="#e0e0e0", grey="#9a9a9a",
        accent="#f0e442", going="#56b4e9", late="#e69f00", raised="#2a2a2a",
    ),
)  # fmt: skip
"""Dark, light, high contrast, and safe for colour-blind eyes; the key for themes goes round them."""
