"""A bad line between the program and a machine, in virtual time, behind the real port.

``channel`` is the line and all that can happen to it, ``protocol_faulty`` the door
``faulty://`` through which the port opens it, ``grid`` every fault in every phase of a session
with what must come of it. The machine at the far end is ``responder.Machine``; nothing here is
shared with the program's own simulated machine.
"""

import serial

serial.protocol_handler_packages.append("faulty")
