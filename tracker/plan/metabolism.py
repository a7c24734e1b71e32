"""From metabolic rate to oxygen and carbon dioxide, by published conversions.

Energy comes from Weir's equation, without the small protein term: 3.941 kcal a litre of oxygen and
1.106 kcal a litre of carbon dioxide (J. B. de V. Weir, J Physiol 109 (1949) 1-9). The respiratory
quotient is carbon dioxide given off over oxygen taken up, by volume.
"""

from __future__ import annotations

KCAL_PER_LITRE_OXYGEN = 3.941
"""Weir 1949."""
KCAL_PER_LITRE_CARBON_DIOXIDE = 1.106
"""Weir 1949."""
JOULE_PER_KCAL = 4184.0
"""The thermochemical calorie."""
OXYGEN_KG_PER_LITRE = 1.42895e-3
"""At 0 degrees Celsius and 101.325 kPa: 31.998 g/mol over 22.392 L/mol."""
CARBON_DIOXIDE_KG_PER_LITRE = 1.9769e-3
"""At 0 degrees Celsius and 101.325 kPa (handbook figure, from memory; 44.009 g/mol over 22.26 L/mol
gives it, as carbon dioxide is no ideal gas)."""
USUAL_QUOTIENT = 0.85
"""Mixed food and moderate work (common practice, no source)."""

LUSK = {0.707: 4.686, 0.82: 4.825, 0.85: 4.862, 1.00: 5.047}
"""Respiratory quotient to kcal a litre of oxygen, protein left out (Lusk's table; 0.82 read, the others
from memory): what Weir's equation is held against."""


def kcal_per_litre_oxygen(quotient: float = USUAL_QUOTIENT) -> float:
    """The kilocalories that a litre of oxygen gives at a respiratory quotient (Weir 1949)."""
    return KCAL_PER_LITRE_OXYGEN + KCAL_PER_LITRE_CARBON_DIOXIDE * quotient


def oxygen_kg_per_megajoule(quotient: float = USUAL_QUOTIENT) -> float:
    """The kilograms of oxygen taken up for each megajoule of metabolic energy."""
    return 1e6 / JOULE_PER_KCAL / kcal_per_litre_oxygen(quotient) * OXYGEN_KG_PER_LITRE


def carbon_dioxide_kg_per_megajoule(quotient: float = USUAL_QUOTIENT) -> float:
    """The kilograms of carbon dioxide given off for each megajoule of metabolic energy."""
    litres = 1e6 / JOULE_PER_KCAL / kcal_per_litre_oxygen(quotient) * quotient
    return litres * CARBON_DIOXIDE_KG_PER_LITRE


UNITS = {"kg": 1.0, "g": 1e-3, "lb": 0.45359237}
"""Kilograms in each unit that a consumable with a `model` can have."""


def per_megajoule(model: str, unit: str) -> float:
    """The use of a consumable with this `model` a megajoule, in its own unit.

    Raises KeyError for a model that is not known, or a unit that is no mass.
    """
    kilograms = {"oxygen": oxygen_kg_per_megajoule, "carbon-dioxide": carbon_dioxide_kg_per_megajoule}
    return kilograms[model]() / UNITS[unit]
