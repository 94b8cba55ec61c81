"""Rows of the views as Plotly figures: pure functions, without a screen and without a database.

Each module makes one kind of figure: its `figure` takes the rows and the look ("light", "dark"),
its `alt_text` says the same in words. The title states what the figure shows, every axis has its
unit, and no colour stands without a shape and a word. A mark that stands for a part or a batch
says in its `customdata` where it leads: ("part", serial) or ("batch", code).
"""
