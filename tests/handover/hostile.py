"""Bus lists in which every text is one that somebody else chose."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import strategies as st

from busprobe.handover.bus_list import (
    BusList,
    CircuitRow,
    JournalEntry,
    JournalRow,
    PointRow,
    ProofSummary,
    SegmentSheet,
    StepSheet,
    SurveySheet,
    UnitRow,
)
from busprobe.handover.comparison import Comparison, Difference, DifferenceKind, EarlierVisit
from busprobe.job import Cabling, Circuit
from busprobe.job.journal import Result
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.prove import proof as proving
from busprobe.prove.documents import proof_document
from busprobe.prove.proof import UnitTally
from busprobe.prove.statistics import Times

EMPTY = BusList(
    segment=SegmentSheet("", "", "", "", "", "", "", "", (), 0, None, None, None, None),
    units=(),
    points=(),
    journal=(),
    proof=None,
    attention=(),
    not_tested=(),
)

MADE = "2026-03-02T08:00:01.000Z"

MARKUP = (
    "<script>document.title='owned'</script>",
    '"><img src=x onerror=alert(1)>',
    "</style></title><svg onload=alert(1)>",
    "{{ 7 * 7 }}{% raw %}",
    '=HYPERLINK("http://evil.test")',
    "![x](http://evil.test/x.png)",
    "`code` **bold** _em_ | cell",
    "# heading",
    "../../escaped",
    "\x1b[31mred\u202e",
    "www.evil.test http://evil.test a@evil.test",
    "&A&P&amp;&#60;b&#62;",
)
"""Texts that mean something to one format or another."""

texts = st.one_of(
    st.sampled_from(MARKUP),
    st.text(
        alphabet=st.one_of(st.sampled_from("<>&\"'`*_|[]()!#=+-@:/.\\ \n\t1ax"), st.characters()),
        max_size=14,
    ),
)
"""What hypothesis tries: texts of that kind, and anything that a text can be."""


def proof_of(
    *addresses: int, milliseconds: float = 12.0, replies: int = 40, words: str = ""
) -> ProofSummary:
    """An endurance run in which these units answered so often, around that time."""
    times = Times()
    for n in range(replies):
        times = times.adding((milliseconds + (n % 5) * 0.1) / 1000)
    tallies = tuple(
        UnitTally(
            Place(address, LineSettings.parse("9600-8N1")),
            {Verdict.OK: replies},
            reply_times=times,
            longest_reply=9,
        )
        for address in addresses
    )
    ran = proving.Proof(
        tallies,
        1.0,
        0.5,
        0.0,
        seconds=60.0,
        rounds=replies,
        round_times=times,
        complete=not words,
        interruption=words,
    )
    polls = replies * len(addresses)
    return ProofSummary(
        units=len(addresses),
        polls=polls,
        results={"ok": polls},
        latest=StepSheet(MADE, proof_document(ran)),
    )


def saying(tag: str, place: str, name: str) -> BusList:
    """A list of a unit, a clash and a reserved address that says these texts wherever somebody
    else's text can be."""
    unit = UnitRow(
        number=1,
        state=EntryKind.UNIT,
        address=12,
        settings="9600-8N1",
        position=1,
        tag=tag,
        location=place,
        device_type=name,
        maker=name,
        model=tag,
        serial=place,
        revision=name,
        how_set=tag,
        profile="invented",
        match=1.0,
        latency_median_ms=12.2,
        polls=40,
        remarks=(tag, name),
        distance_m=12.5,
        terminator=True,
        plan=name,
        supply=tag,
        label_fitted=False,
    )
    point = PointRow(
        address=12,
        settings="9600-8N1",
        tag=tag,
        profile=None,
        name=name,
        function=3,
        register=1,
        sheet_register=None,
        numbering=None,
        count=1,
        type="int16",
        word_order=None,
        unit=place,
        scale=None,
        offset=None,
        plausible_min=None,
        plausible_max=None,
        registers=(1,),
        value=-5,
        text=tag,
        plausible=None,
        reference=name,
        description=tag,
        channel=place,
    )
    judgement = dict.fromkeys(
        ("measurement", "reading", "level", "words", "action", "limits", "source"), name
    )
    heard = {"seen": tag, "certain": False, "hints": [{"cause": place, "action": name}]}
    wiring = {
        "judgements": [judgement],
        "observations": [heard],
        "patterns": [heard],
        "skipped": [place],
    }
    segment = SegmentSheet(
        site=place,
        segment=name,
        tester=tag,
        port=place,
        adapter=name,
        created=MADE,
        made=MADE,
        tool="busprobe 0.1.0",
        settings=("9600-8N1",),
        units=1,
        spare="1-11",
        survey=SurveySheet(
            MADE, MADE, True, tag, ("9600-8N1",), "1-247", 1.0, False, False, 0, (name,)
        ),
        listening=StepSheet(MADE, {"words": place}),
        wiring=StepSheet(MADE, wiring),
        cautions=StepSheet(MADE, {"by": name}),
        hunts=(StepSheet(MADE, {"addresses": place, "log": [tag, name]}),),
        cabling=Cabling(tag, place, name, 80.0, tag, True, place, name, tag, place, name),
    )
    differences = (Difference(DifferenceKind.MOVED, 12, 13, tag),)
    entry = JournalEntry(MADE, Result.NOT_VERIFIED, None, name)
    row = JournalRow(
        number=1,
        intended=MADE,
        tester=tag,
        kind=name,
        from_address=1,
        to_address=12,
        settings="9600-8N1",
        words=place,
        request="01 06",
        outcome=Result.NOT_VERIFIED,
        conclusions=(entry,),
    )
    return replace(
        EMPTY,
        segment=segment,
        units=(
            unit,
            replace(unit, number=2, state=EntryKind.CLASH, address=13),
            UnitRow(number=3, state="reserved", address=1, remarks=(name,)),
        ),
        points=(point,),
        circuits=(
            CircuitRow(
                12, "9600-8N1", tag, Circuit(name, tag, place, name, tag, place, name, True), name
            ),
        ),
        journal=(row,),
        proof=proof_of(12, words=tag),
        attention=(tag,),
        not_tested=(name,),
        earlier=EarlierVisit(name, MADE, MADE, tag, Comparison(differences, (place,))),
    )
