"""What stands at the bench: gauges on a serial line, folders that rigs write into, a way to send.

`readout` understands a gauge's lines, `serial_port` reads them, `readings` hands them on.
`arrivals` tells which files have come whole, `watching` takes them in, `log_photos` the photos that
they name; `photos` keeps these and a tablet's. `spool` keeps records on
disk until the server has them, `sending` brings them there, `log_lines` makes a log fit to be
sent, `link` is the line to the server.
"""
