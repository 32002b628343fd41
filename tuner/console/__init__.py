"""Where a person, or a program in a person's place, sees lines and answers questions."""
