"""The bench in a browser: a page of this machine alone, on the engine itself.

`desk.py` takes what a hand does and answers with what is to be seen, `server.py` is the door:
loopback only, a secret in the address, Host and Origin checked.
"""
