"""Down from one network to a better one."""
