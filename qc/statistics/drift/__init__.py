"""Whether the level of batch means has moved, what changed with it, and whether it was the gauge.

`level` judges a stream (with `looks`, `watching`, `partings`, `scale`), `family` many of them;
`factors` searches the batches' factors (with `splits`, `permuting`), `mixed` those that vary within
a batch (with `cells`, `dealing`, `reml`), `source` weighs rims against gauge (`moves`, `observed`).
"""
