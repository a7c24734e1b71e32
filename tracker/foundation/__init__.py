"""What every room stands on: times, safe text, errors, the clock and the advisory sentence."""
