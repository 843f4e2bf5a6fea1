"""The manual's text, in folders by what it is for; the command line shows it, and makes the reference.

In: what people write. Out: Markdown, figures and the layout of a page; there is no code here.
"""
