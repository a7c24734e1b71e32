"""What should happen: the plan file, its model, its faults and its course on paper."""
