"""The local browser app: pages of one field's folder, served to one browser of this machine."""

from vrx.app.serve import serve

__all__ = ["serve"]
