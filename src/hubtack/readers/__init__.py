"""Readers: all that does I/O on sources. They hand on bytes with their arrival, and notes on the source's state.

Only the events are imported here, so that the core does not load sockets and archives with them; ``urls`` takes a
source apart, ``opening`` gives its reader, ``hub`` runs readers.
"""

from hubtack.readers.chunk import Chunk, Event, Notice, Reader, SourceState

__all__ = ["Chunk", "Event", "Notice", "Reader", "SourceState"]
