"""The sentences that people read, out of the code and the page's templates, into the catalogues of other languages.

python deploy/_messages.py             what each language still lacks, and what it has that is said no more
python deploy/_messages.py --update    puts new sentences into every catalogue, and takes those out that are gone
python deploy/_messages.py --add es    begins a language
"""

from __future__ import annotations

import re
import sys
from io import BytesIO
from pathlib import Path

from babel.messages import Catalog
from babel.messages.extract import DEFAULT_KEYWORDS, extract_from_dir
from babel.messages.pofile import read_po, write_po

PACKAGE = Path(__file__).resolve().parent.parent / "curewatch"
LOCALE = PACKAGE / "language" / "locale"
KEYWORDS = DEFAULT_KEYWORDS | {"phrase": None, "phrase_n": (1, 2)}
HOW = [("**.py", "python"), ("web/templates/**.html", "jinja2")]
COMMENT = "# Sentences of curewatch. {fields} stay as they are, and each must be there; made by deploy/_messages.py."


def extracted() -> Catalog:
    """Every sentence, with where it stands."""
    found = Catalog(project="curewatch", version="", fuzzy=False)
    for file, _line, text, comments, context in extract_from_dir(
        PACKAGE, HOW, keywords=KEYWORDS, comment_tags=("Translators:",), strip_comment_tags=True
    ):
        found.add(text, locations=[(file, 0)], auto_comments=comments, context=context)
    return found


def of_language(name: str) -> Catalog:
    file = LOCALE / f"{name}.po"
    return (
        read_po(BytesIO(file.read_bytes()), locale=name)
        if file.exists()
        else Catalog(locale=name, project="curewatch", version="", fuzzy=False)
    )


def written(catalogue: Catalog) -> bytes:
    catalogue.header_comment = COMMENT
    out = BytesIO()
    write_po(out, catalogue, width=0, sort_output=True, include_lineno=False, ignore_obsolete=True)
    return re.sub(rb'"POT-Creation-Date:[^\n]*\n', b"", out.getvalue())  # it would differ each time


def lacking(catalogue: Catalog, sentences: Catalog) -> list[str]:
    """What is said and has no words, or only doubtful ones, in that language."""
    found = []
    for one in sentences:
        known = catalogue.get(one.id) if one.id else one
        words = known.string if known is not None else ""
        if one.id and (known is None or known.fuzzy or not words or (isinstance(words, tuple) and not all(words))):
            found.append(one.id if isinstance(one.id, str) else one.id[0])
    return found


def main(arguments: list[str]) -> int:
    sentences = extracted()
    names = sorted(file.stem for file in LOCALE.glob("*.po"))
    if arguments[:1] == ["--add"]:
        names, arguments = arguments[1:], ["--update"]
    for name in names:
        catalogue = of_language(name)
        if arguments == ["--update"]:
            catalogue.update(sentences, no_fuzzy_matching=True)
            LOCALE.joinpath(f"{name}.po").write_bytes(written(catalogue))
        missing = lacking(catalogue, sentences)
        gone = [one.id for one in catalogue if one.id and sentences.get(one.id) is None]
        print(f"{name}: {len(sentences)} sentences, {len(missing)} without words, {len(gone)} said no more")
        for text in missing[:20]:
            print(f"  {text!r}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
