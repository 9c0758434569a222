"""Opens recordings: any usual audio file, one channel, and how good it is as a recording.

Reads files; gives samples in blocks, the quality of a recording, clips to listen to.
"""
