"""The sentence that stands on every estimate and every export."""

ADVISORY = "Advisory only: flight rules, suit telemetry and the people responsible come first."
