"""Guided procedures: generators that say what should happen and hear what did."""
