"""How far `verify` can be believed: faults planted in circuits that ngspice solves.

Nothing of what is planted or measured here is computed by the tool: drivers are circuits of another
form than its model, the network is a netlist, and noise and gate come from `measuring`.
"""
