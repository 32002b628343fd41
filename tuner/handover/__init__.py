"""What is handed over when the measuring is done: proposals for a person to apply."""
