"""What did happen: events, the rules they obey, what they add up to, and the file they live in."""
