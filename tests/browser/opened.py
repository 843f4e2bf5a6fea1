"""A page as a real browser shows it, with all that it says and asks for meanwhile.

=====================  =================================================================
:class:`OpenedPage`    a file opened from disk, with console, errors and requests noted
:func:`boxes`          texts with their places, for pages and figures
:func:`overlapping`    pairs of texts that lie on each other
=====================  =================================================================
"""

import numpy as np

#: A desk and a telephone.
WIDTHS = (1280, 390)

AXE_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]

# A text's own box is that of its glyphs' lines, not of the element around it. What scrolls inside the page is cut off
# by the box that it scrolls in; the rest of a word that is only for screen readers is clipped to a pixel.
_BOXES = """
() => {
  const found = [], range = document.createRange();
  const add = (text, rect, node) => {
    if (rect.width > 1.5 && rect.height > 1.5)
      found.push([text.trim().slice(0, 60), rect.left + scrollX, rect.top + scrollY,
                  rect.right + scrollX, rect.bottom + scrollY, node]);
  };
  const known = new Map([[document.body, false]]);
  const scrolls = (e) => {
    if (!known.has(e)) {
      const style = getComputedStyle(e);
      const cut = style.clipPath !== 'none' || style.clip !== 'auto';
      const larger = e.scrollWidth > e.clientWidth || e.scrollHeight > e.clientHeight;
      const held = style.overflowX !== 'visible' && larger;
      known.set(e, cut || held || scrolls(e.parentElement));
    }
    return known.get(e);
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let number = 0;
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const parent = node.parentElement;
    if (!node.data.trim() || parent.closest('style, script, template, svg title, svg desc')) continue;
    if (!parent.checkVisibility({visibilityProperty: true}) || scrolls(parent)) continue;
    number += 1;
    if (parent.closest('svg')) { add(node.data, parent.getBoundingClientRect(), number); continue; }
    range.selectNodeContents(node);
    for (const rect of range.getClientRects()) add(node.data, rect, number);
  }
  return found;
}
"""

_ELSEWHERE = """
() => {
  const found = [];
  for (const element of document.querySelectorAll('*'))
    for (const {name, value} of element.attributes) {
      const names = ['src', 'href', 'xlink:href', 'srcset', 'action', 'formaction', 'poster', 'data', 'ping'];
      if (names.includes(name) && !value.startsWith('#') && !value.startsWith('data:')) found.push(name + '=' + value);
      if (/^on/.test(name)) found.push(name);
      for (const [, place] of value.matchAll(/url\\(\\s*['"]?([^)]*)/g))
        if (!place.startsWith('#')) found.push(name + '=' + value);
    }
  for (const sheet of document.querySelectorAll('style'))
    if (/@import|url\\(\\s*['"]?(?!#|data:)/.test(sheet.textContent)) found.push('style');
  return found;
}
"""


class OpenedPage:
    """A file opened in the browser: ``page`` is Playwright's; ``console``, ``errors`` and ``requests`` were noted."""

    def __init__(self, browser, path, *, width=1280, height=900, **context):
        self.path = path
        self.context = browser.new_context(viewport={"width": width, "height": height}, **context)
        self.console, self.errors, self.requests = [], [], []
        self.context.on("request", lambda request: self.requests.append(request.url))
        self.page = self.context.new_page()
        self.page.on("console", lambda message: self.console.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("websocket", lambda socket: self.requests.append(socket.url))
        self.page.goto(path.as_uri(), wait_until="load")

    def close(self):
        """Close the page and forget it."""
        self.context.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def open_details(self, *, most_rows=None):
        """Unfold everything that is folded.

        ``most_rows`` takes the further rows of every table away: they are all made alike, and take long to look at.
        """
        self.page.evaluate(
            """
            (most) => {
              document.querySelectorAll('details').forEach(e => { e.open = true });
              if (most) document.querySelectorAll(`tbody tr:nth-child(n + ${most + 1})`).forEach(e => e.remove());
            }
            """,
            most_rows,
        )

    def points_elsewhere(self):
        """Return every attribute that leads out of the page or runs a script."""
        return self.page.evaluate(_ELSEWHERE)

    def violations(self, axe_source, *, rules=None, without=None):
        """Return what axe-core finds wrong, as ``rule: selector (why)``; ``without`` names what is not looked at."""
        self.page.evaluate(axe_source)
        only = {"type": "tag", "values": AXE_TAGS} if rules is None else {"type": "rule", "values": rules}
        options = {"runOnly": only, "resultTypes": ["violations"]}
        where = {"include": [["html"]], "exclude": [[without]]} if without else {"include": [["html"]]}
        found = self.page.evaluate("([where, options]) => axe.run(where, options)", [where, options])
        return [
            f"{violation['id']}: {node['target']} {node['failureSummary']}"
            for violation in found["violations"]
            for node in violation["nodes"]
        ]

    def sideways(self):
        """Return by how many pixels the page is wider than its window."""
        return self.page.evaluate("() => document.documentElement.scrollWidth - innerWidth")


def boxes(opened):
    """Return the texts of a page, their boxes (left, top, right, bottom) and which node each is of."""
    found = opened.page.evaluate(_BOXES)
    return (
        [row[0] for row in found],
        np.array([row[1:5] for row in found]),
        np.array([row[5] for row in found]),
    )


def overlapping(texts, places, nodes, *, allowed_pixels=2.0):
    """Return pairs of texts whose boxes lie on each other by more than this in both directions."""
    order = np.argsort(places[:, 1])
    found = []
    for at, this in enumerate(order):
        later = order[at + 1 :]
        later = later[places[later, 1] < places[this, 3] - allowed_pixels]
        width = np.minimum(places[later, 2], places[this, 2]) - np.maximum(places[later, 0], places[this, 0])
        height = np.minimum(places[later, 3], places[this, 3]) - np.maximum(places[later, 1], places[this, 1])
        on_it = (width > allowed_pixels) & (height > allowed_pixels) & (nodes[later] != nodes[this])
        found += [(texts[this], texts[other]) for other in later[on_it]]
    return found
