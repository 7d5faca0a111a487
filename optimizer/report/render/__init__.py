"""Renderers: a `Document` as text for a terminal, as Markdown, as a page, as JSON."""
