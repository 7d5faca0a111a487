"""Tests; a package, so that no other package of this name is found in its place."""
