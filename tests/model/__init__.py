"""The program under everything that can happen to it: all states of it, and whole sessions.

``host``, ``world``, ``explore`` and ``programs`` are the model check, ``played`` the sessions.
"""
