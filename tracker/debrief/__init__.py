"""What it taught us: as-run against planned, scores and pace for the next plan."""
