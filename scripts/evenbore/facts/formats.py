"""The audio formats that recordings come in, and how their files are named."""

SUFFIXES_OF = {
    "WAV": "wav wave bwf", "WAVEX": "wav wave bwf", "RF64": "wav wave rf64", "W64": "w64", "FLAC": "flac",
    "OGG": "ogg oga opus spx", "MP3": "mp3 mp2 mpga", "AIFF": "aif aiff aifc", "CAF": "caf",
    "mov": "m4a mp4 m4b mov 3gp 3g2", "aac": "aac", "matroska": "mka mkv webm", "asf": "wma asf", "amr": "amr",
    "mp3": "mp3 mp2 mpga", "wav": "wav wave", "aiff": "aif aiff aifc", "flac": "flac", "ogg": "ogg oga opus",
    "ac3": "ac3", "eac3": "eac3 ec3",
}  # fmt: skip
"""Format, as libsndfile (capitals) or FFmpeg calls it -> usual suffixes of its files, the commonest first."""

AUDIO_SUFFIXES = tuple(f".{suffix}" for suffix in dict.fromkeys(" ".join(SUFFIXES_OF.values()).split()))
"""How a recording's name may end, in small letters."""


def is_recording(name: str) -> bool:
    """Whether a file of this name is looked at as a recording: it ends like one and is not hidden."""
    return name.lower().endswith(AUDIO_SUFFIXES) and not name.startswith(".")
