"""Pages for a browser: templates, style and script, put together into single files."""
