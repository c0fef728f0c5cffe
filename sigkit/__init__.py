"""Find, measure and classify ignition firings in recorded waveforms.

Import what you need from its room, for instance ``from sigkit.capture.open_captures import
open_captures``. Importing this package loads nothing else, so it stays quick.
"""

__version__ = "0.1.0"
