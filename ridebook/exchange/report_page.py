"""The report on a song as a page of HTML that needs nothing else."""

from __future__ import annotations

import html

from ridebook.exchange.report import Report
from ridebook.exchange.sheet_content import Mark, SheetWord, balance_limits, lane_limits, lane_line, sheet_content


def report_html(report: Report) -> str:
    """Report as one page of HTML that needs nothing else: no script, no font, no picture from elsewhere."""
    content = sheet_content(report)
    rows = []
    for block in content.blocks:
        if block.heading:
            rows.append(f'<tr><th colspan="4">{_text(block.heading)}</th></tr>')
        for row in block.rows:
            words = " ".join(
                f'<mark title="{_text(_lost(word))}">{_text(word.text)}</mark>' if word.lost else _text(word.text)
                for word in row.words
            )
            ride = f"<s>{_text(row.ride)}</s>" if row.mark is Mark.STRUCK else _text(row.ride)
            kind = ' class="pencil"' if row.mark is Mark.OPEN else ""
            note = f"<br><small>{_text(row.note)}</small>" if row.note else ""
            rows.append(
                f"<tr{kind}><td>{_text(row.time)}</td><td class=lyric>{words}{note}</td>"
                f"<td class=n>{ride}</td><td class=n>{_text(row.balance)}</td></tr>"
            )
    figures = "".join(
        f"<tr><td>{_text(line.name)}</td><td class=n>{_text(line.before)}</td><td class=n>{_text(line.after)}</td></tr>"
        for line in (*content.counts, *content.meters)
    )
    findings = "".join(
        f"<li{' class=must' if line.must else ''}><b>{_text(line.time)}</b> {_text(line.sentence)}</li>"
        for line in content.findings
    )
    return f"""<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{_text(content.title)}</title>
<style>
body {{ background: #FBF8F1; color: #1E2430; font: 15px/1.45 "Source Sans 3", "Segoe UI", sans-serif;
  max-width: 62rem; margin: 2rem auto; padding: 0 1rem; font-variant-numeric: tabular-nums; }}
h1 {{ font: 600 1.7rem "Source Serif 4", Georgia, serif; margin: 0; }}
h2 {{ font-size: .85rem; letter-spacing: .06em; text-transform: uppercase; margin: 2rem 0 .4rem; }}
p {{ color: #5A606B; margin: .2rem 0; }}
table {{ border-collapse: collapse; width: 100%; }}
td, th {{ text-align: left; padding: .25rem .6rem .25rem 0; border-bottom: 1px solid #C9C2B2; vertical-align: top; }}
th {{ padding-top: 1rem; font-weight: 600; }}
.n {{ text-align: right; white-space: nowrap; }}
.lyric {{ font: 17px/1.4 "Source Serif 4", Georgia, serif; }}
.pencil {{ color: #5A606B; font-style: italic; }}
mark {{ background: #E4DCCB; color: inherit; border-left: 3px solid #A83A12; padding-left: 2px; }}
li {{ margin: .3rem 0; }} .must {{ color: #A83A12; }}
svg {{ width: 100%; height: auto; }}
</style>
<h1>{_text(content.title)}</h1>
{"".join(f"<p>{_text(line)}</p>" for line in content.about)}
<h2>Before and after</h2>
<table><tr><td></td><td class=n>before</td><td class=n>after</td></tr>{figures}</table>
<h2>Balance and lane</h2>
{_picture(report)}
<h2>Rides</h2>
<table><tr><td></td><td></td><td class=n>ride, dB</td><td class=n>balance, LU</td></tr>{"".join(rows)}</table>
<h2>Findings</h2>
{f"<ul>{findings}</ul>" if findings else "<p>No findings.</p>"}
</html>
"""


def _picture(report: Report) -> str:
    """Balance of the phrases with the aim's band, and the lane under it, as SVG on one time axis."""
    wide, high = 1000.0, 110.0
    low_lu, high_lu = balance_limits(report)
    low_db, high_db = lane_limits(report)

    def x(time_s: float) -> float:
        return round(wide * time_s / report.seconds, 2)

    def y(value: float, low: float, top: float, down: float = 0.0) -> float:
        return round(down + high * (top - value) / (top - low), 2)

    parts = []
    for start_s, end_s, aim_lu in [(s.start_s, s.end_s, s.aim_lu) for s in report.sections] or [
        (0.0, report.seconds, report.aim_lu)
    ]:
        top, bottom = (y(aim_lu + by, low_lu, high_lu) for by in (report.band_lu, -report.band_lu))
        parts.append(
            f'<rect x="{x(start_s)}" y="{top}" width="{x(end_s - start_s)}" height="{round(bottom - top, 2)}" '
            'fill="#DCE7DF"/>'
        )
    for phrase in report.phrases:
        for value, style in (
            (phrase.balance_before_lu, 'stroke="#5A606B" stroke-dasharray="4 3"'),
            (phrase.balance_after_lu, 'stroke="#1E2430" stroke-width="3"'),
        ):
            if value is not None:
                at = y(min(max(value, low_lu), high_lu), low_lu, high_lu)
                parts.append(f'<path d="M{x(phrase.start_s)} {at}H{x(phrase.end_s)}" {style} fill="none"/>')
    down = high + 30.0
    points = " ".join(f"{x(t)},{y(db, low_db, high_db, down)}" for t, db in lane_line(report))
    zero = y(0.0, low_db, high_db, down)
    parts.append(f'<path d="M0 {zero}H{wide}" stroke="#C9C2B2"/>')
    parts.append(f'<polyline points="{points}" fill="none" stroke="#1E2430" stroke-width="2"/>')
    return (
        f'<svg viewBox="0 0 {wide:g} {2 * high + 30:g}" role="img" aria-label="Balance and lane">{"".join(parts)}</svg>'
    )


def _lost(word: SheetWord) -> str:
    return f"lost: {word.in_the_way}" if word.in_the_way else "lost"


def _text(text: str) -> str:
    return html.escape(text)
