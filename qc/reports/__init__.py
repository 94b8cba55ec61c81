"""The papers: PDF made from the answers of the views, in one look, black on white.

`page` is the look; every other module is a paper, a code on it, or how it is checked afterwards.
Pictures are drawn here from the same rows that the screens draw: turning those figures into PDF
would need a browser on the machine.
"""
