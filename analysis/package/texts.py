"""What the package says to people: what is in it, how to read it, and what pseudonyms do not protect against."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.package.choice import Chosen

NOT_PROTECTED = """\
## What the replaced names do not protect against

Names of the mill, its machines, tags, crews and people, numbers of reels and orders, and ids of notes are replaced by
others; the same name is the same throughout, and nobody without the mill's key can compute them. All else is as it was:

- **The figures are the fingerprint.** Whoever knows the machine knows it again by its speeds, grades, basis weights,
  trim, sections, dates of shuts, or by any one series of which they hold a copy.
- **A tag is told by its behaviour**: unit, range and section stay, since the data would be useless without them.
- **A crew can be told** by a rota that is known, and so can a person who was the only one on duty. Figures by crew are
  figures on few people: treat them as personal data.
- **The time zone, the grades' names, the causes and the positions of clothing stay**, as do shades and names of pits
  and towers.
- **Moved times keep weekday and hour**: a known stop or change of clocks gives the shift
  away. Times that were not moved are exact.
- **Two packages made with one key can be laid side by side.** That is meant for one receiver; take another key for the
  next.
- Names of fewer than three letters are replaced, but could not be searched for afterwards.

So pseudonyms keep names out of slides and mails. They do not make the data anonymous, and they do not take the place of
an agreement with whoever receives them.
"""

_HOW = """\
## How to read it

Each view is a CSV file (RFC 4180, UTF-8, point for decimals, instants in UTC, an empty cell is null; a text that a
spreadsheet would take for a formula has an apostrophe before it), or Parquet, or both. `datapackage.json` describes
every file, column and key by the open standard Data Package (datapackage.org, version 2.0); `DICTIONARY.md` says the
same to people. `SHA256SUMS` holds the sums of all files: `sha256sum -c SHA256SUMS`.

```sql
SELECT section, count(*) AS breaks FROM read_parquet('parquet/downtime.parquet') WHERE kind = 'break' GROUP BY section;
```
"""

TERMS = """\
# Terms

Nothing has been agreed yet. Until the mill writes here what these data may be used for, by whom, for how long, and what
may be published, they may not be used or passed on.
"""

TITLE = "Sheet breaks and runnability of a paper mill"


def about(period: str, chosen: Sequence[Chosen], *, pseudonyms: bool, moved: bool, demo: bool) -> str:
    """One paragraph on what the package is."""
    said = [f"{len(chosen)} views of what was logged of breaks, rethreading and process, {period}."]
    if demo:
        said.append("Demo data: the mill is invented.")
    if pseudonyms:
        said.append("Names are replaced." + (" All times are moved by one whole number of weeks." if moved else ""))
    return " ".join(said)


def readme(text: str, *, pseudonyms: bool) -> str:
    """The page to begin with."""
    return "\n".join([f"# {TITLE}\n", f"{text}\n", _HOW, *([NOT_PROTECTED] if pseudonyms else [])])


def dictionary_text(chosen: Sequence[Chosen]) -> str:
    """The dictionary of what is in the package, and of nothing else."""
    parts = ["# Data dictionary\n"]
    for one in chosen:
        parts += [
            f"## {one.view.name}\n",
            f"{one.view.meaning}\n",
            "| column | unit | meaning |",
            "| --- | --- | --- |",
        ]
        parts += [f"| `{c.name}` | {c.unit} | {c.meaning.replace('|', '/')} |" for c in one.columns]
        parts.append("")
    return "\n".join(parts)
