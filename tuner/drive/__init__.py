"""What an axis is made of and what that gives: exact, pure, standard library only."""
