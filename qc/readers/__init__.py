"""Files in, lines of raw fields out, a line at a time and in bounded memory.

`folder` finds the logs, `lines` opens one; beneath it `stream` gives bytes (through gzip where
needed), `text` cuts them into physical lines, `table` reads CSV and `objects` JSON Lines.
`refused` writes the lines that were not taken back out as a file that can be mended and imported
again. Nothing here knows what a field means.
"""
