"""A bone's page for a folder that holds copies of some of its files: no link leads to what is not there."""

from __future__ import annotations

import re
from collections.abc import Mapping

BACK = re.compile(r'<p class="back[^>]*>.*?</p>', re.DOTALL)
LINK = re.compile(r'<a href="([^"#][^"]*)">(.*?)</a>', re.DOTALL)


def page_for_copy(page: bytes, copies: Mapping[str, str]) -> bytes:
    """The page with its links led to the copies, and those to nothing left as words; the way back to the index is taken out.

    copies: path of a file relative to the page -> its name beside the copied page. Scripts stay as they are: the page's policy names their hashes.
    """
    markup, script, rest = page.decode().partition("<script")

    def led(match: re.Match[str]) -> str:
        address, words = match.groups()
        return f'<a href="{copies[address]}">{words}</a>' if address in copies else words

    return (LINK.sub(led, BACK.sub("", markup, count=1)) + script + rest).encode()
