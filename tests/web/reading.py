"""What a person reads on a page that came over HTTP, and how its forms stand."""

from __future__ import annotations

from typing import Any

import httpx
from lxml import html


def page_of(answer: httpx.Response) -> Any:
    """Return the page as a tree."""
    return html.fromstring(answer.text)


def words(answer: httpx.Response | Any) -> str:
    """Return what a person reads on a page, or in a part of one, on one line."""
    tree = page_of(answer).find("body") if isinstance(answer, httpx.Response) else answer
    return " ".join(tree.text_content().split())


def fields(answer: httpx.Response, action: str) -> dict[str, str]:
    """Return the fields of the form that is sent to an address that ends so, as they stand."""
    form = next(one for one in page_of(answer).forms if (one.action or "").split("?")[0].endswith(action))
    return {name: value for name, value in form.form_values() if name}


def amiss(answer: httpx.Response) -> dict[str, str]:
    """Return what is said to be wrong, by the field that says so."""
    tree = page_of(answer)
    found = {}
    for field in tree.xpath("//*[@aria-invalid='true']"):
        said = (tree.get_element_by_id(name) for name in field.get("aria-describedby").split())
        found[field.get("name")] = words(next(said))
    return found
