"""Turning a network by hand: one value at a time through the stock, with undo, redo and a before.

Pure values that know of no page: `laid.py` has a network among what its places may be,
`sitting.py` the networks of one sitting at the bench and the way taken through them.
"""
