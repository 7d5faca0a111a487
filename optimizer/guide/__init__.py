"""The guide that comes with the package: its sources, and what makes chapters and pictures of them.

Chapters are Markdown in `book/`; those of keys, goals and of the functions for Python are made of
the tables and docstrings themselves. Pictures are drawn when the guide is opened.
"""
