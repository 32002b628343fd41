"""The built-in simulated machine, and the simulated person who works on it.

``rehearse://bench-mule`` opens it like any port. Nothing here shares a formula or a parser with
the program that talks to it: a shared one would hide a shared mistake.
"""
