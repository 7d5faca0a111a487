"""A way in which measured files are written."""


def read_pen_recorder(name: str, raw: bytes) -> str | None:
    """Write the curve of our old recorder as columns with headings; None for a file of anybody else.

    It writes a line "PEN RECORDER", then hertz and level in tenths of a decibel.
    """
    lines = raw.decode("ascii", errors="replace").splitlines()
    if not lines or lines[0].strip() != "PEN RECORDER":
        return None
    rows = [line.split() for line in lines[1:] if line.strip()]
    return "\n".join(
        ["frequency Hz, level dB", *(f"{hz}, {int(tenths) / 10}" for hz, tenths in rows)]
    )
