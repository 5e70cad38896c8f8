"""The report of a large study: aggregates first, details in the tables beside the page."""

from __future__ import annotations

import dataclasses

from report.made import TRESSES, MadeResult, made_analysis

from hairtone.report.page import report_html

COPIES = 334  # of three tresses with ten photos each: 10 020 photos
LARGEST_PAGE = 20_000_000  # bytes; the catalogue of faults asks for it, RPT-07


def test_the_page_of_ten_thousand_photos_stays_small():
    small = made_analysis()
    names = {f"{subject}-{n}": subject for n in range(COPIES) for subject in TRESSES}
    rows = tuple(
        dataclasses.replace(
            row,
            row=dataclasses.replace(
                row.row, subject=f"{row.row.subject}-{n}", photo=f"{n}/{row.row.photo}"
            ),
        )
        for n in range(COPIES)
        for row in small.outcome.rows
    )
    study = dataclasses.replace(small.outcome.study, rows=tuple(row.row for row in rows))
    hairs = tuple(
        dataclasses.replace(hair, subject=f"{hair.subject}-{n}")
        for n in range(COPIES)
        for hair in small.hairs
    )
    large = dataclasses.replace(
        small,
        outcome=MadeResult(study=study, rows=rows, names=names | {s: s for s in TRESSES}),
        findings=dataclasses.replace(small.findings, hairs=hairs),
    )

    page = report_html(large, audience="tester")

    assert len(rows) == 10_020
    assert len(page.encode()) < LARGEST_PAGE
    assert "10020" in page or "10 020" in page or "10,020" in page
