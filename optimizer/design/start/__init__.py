"""From a folder of measurements to a first design."""
