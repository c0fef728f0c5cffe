"""Limits that keep a damaged or hostile file from eating the machine. All are our choice."""

from __future__ import annotations

#: Bytes read from the start of a file to tell its format.
SNIFF_BYTES = 65_536
#: Longest header of a text file, in lines and bytes.
HEADER_LINES = 10_000
HEADER_BYTES = 4 * 1024**2
#: Most channels one capture may have; more means that the array lies the wrong way or is no recording.
CHANNELS = 256
#: Most sweeps in one file.
SWEEPS = 100_000
#: Most bytes that are decompressed or fetched into memory for one file (memory-mapped files are not limited).
MEMORY_BYTES = 4 * 1024**3
#: A member that grows by more than this factor is taken for a decompression bomb. Deflate reaches at most
#: about 1032 (RFC 1951: 258 bytes from 2 bits); a quiet 16-bit recording stays below 200 by our own trial.
COMPRESSION_RATIO = 500.0
#: The ratio is only judged above this size, as tiny members of zeros compress well.
RATIO_FREE_BYTES = 16 * 1024**2
#: Deepest nesting of archives within archives.
ARCHIVE_DEPTH = 3
#: Most members listed of one archive.
ARCHIVE_MEMBERS = 200_000
#: Slowest rate believed without a stated unit, samples per second: at less, no firing could be seen.
SLOWEST_UNSTATED_RATE_HZ = 1_000.0
#: Range of believable sample rates, hertz.
SAMPLE_RATE_HZ = (1.0, 1e11)
