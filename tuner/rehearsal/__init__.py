"""The built-in simulated machines, and the simulated person who works on them.

``rehearse://bench-mule`` and ``rehearse://pack-mule`` open them like any port. Nothing here shares
a formula or a parser with the program that talks to it: a shared one would hide a shared mistake.
"""
