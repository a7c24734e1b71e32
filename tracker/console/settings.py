"""What a person sets once for their seat: keys, theme, local time, bell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings in force."""

    theme: str = "dark"
    """`dark`, `light`, `contrast` or `safe`."""
    local_time: bool = False
    """Show this machine's time beside UTC."""
    bell: bool = False
    """Ring the terminal's bell once for every new alert."""
    keys: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Keys by id of a command, as the screen library names them; they replace all keys of the command."""
    lead_keys: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """The same for the commands of the lead's view."""

    @property
    def theme_name(self) -> str:
        """The theme's name in the table of themes."""
        return f"tracker-{self.theme}"
