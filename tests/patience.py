"""How long a test waits for what is bound to come: long, since it costs nothing while all goes well.

What a busy machine delays is no fault of the code. A test waits for the thing itself and judges it then; this is how
long until it gives the thing up.
"""

PATIENCE_S = 120.0
PATIENCE_MS = PATIENCE_S * 1000
