"""Files and raw curves to drivers."""
