"""A run's observer that shows nothing: the one that the stick's first minutes have."""

from verifyrig.stick.silent import BlankScreen as Silent

__all__ = ["Silent"]
