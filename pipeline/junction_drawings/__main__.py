"""Draw every junction into this folder."""

from pipeline.junction_drawings import draw_all

draw_all()
