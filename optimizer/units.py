"""Unit strings to SI numbers and back: the only place where prefixes exist."""

from __future__ import annotations

import math
import re

from optimizer.errors import InputError

_PREFIX = {
    "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3,
    "": 1.0, "k": 1e3, "K": 1e3, "M": 1e6,
}
