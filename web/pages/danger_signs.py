"""Danger signs at altitude: what to look for and do. Open to anyone, so that it is always at hand."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from api.access.permissions import public
from api.nights.schemas import DANGER_WORDS, NO_DIAGNOSIS, DangerSign
from web.rendering import page

router = APIRouter(include_in_schema=False)

HOW: dict[DangerSign, str] = {
    DangerSign.UNSTEADY: "Let them walk heel to toe, ten steps along a line, and turn. Swaying or stepping"
    " off it counts. Whoever cannot sit up straight needs no test.",
    DangerSign.CONFUSED: "Ask the date, the place, a simple sum. Talk to those who know them.",
    DangerSign.BREATHLESS_AT_REST: "After some minutes of sitting still, beside people who are well.",
    DangerSign.WET_COUGH: "Put an ear to the bare back; crackling or gurgling counts.",
    DangerSign.BLUE_LIPS: "In daylight, beside somebody who is well.",
    DangerSign.CANNOT_KEEP_UP: "Even at rest pace, or far behind for no other reason.",
    DangerSign.VOMITING: "Nothing stays down, with or without a headache.",
}
ACTS = (
    "Tell the lead guide at once. Do not leave the person alone, and do not let them go down alone.",
    "Go down now, by day or night if the ground allows: as far as it takes to get better, at least 300 m, "
    "about 1,000 m where lungs or brain are affected.",
    "Call for help early, on every channel there is; evacuation takes long.",
    "Keep them warm and upright, and carry what they carry.",
    "Oxygen, a pressure bag and medicines only by those trained for it, by the outfit's protocol and its "
    "medical adviser, and with going down, not instead of it.",
    "In the tent: stoves out, air in. Carbon monoxide gives the same headache.",
)
SOURCES = (
    "UIAA Medical Commission, Emergency Field Management of Acute Mountain Sickness, HAPE and HACE "
    "(from memory).",
    "Wilderness Medical Society, Clinical Practice Guidelines for the Prevention, Diagnosis, and Treatment "
    "of Acute Altitude Illness: 2024 Update, Wilderness Environ Med 35(1S), 2–19 (its text from memory).",
    "CDC Yellow Book 2024, High-Altitude Travel and Altitude Illness.",
    "International Association for Medical Assistance to Travellers, Altitude Illness (at least 300 m).",
    "UpToDate, Acute mountain sickness and high-altitude cerebral edema (about 1,000 m).",
    "How to look for each sign: common practice, no published source.",
)


@router.get("/danger-signs", dependencies=[public("what to do when somebody is in danger")])
def danger_signs(request: Request) -> Response:
    """What to look for, and what to do."""
    return page(
        request,
        "nights/danger.html",
        signs=[(words, HOW[sign]) for sign, words in DANGER_WORDS.items()],
        acts=ACTS,
        sources=SOURCES,
        caution=NO_DIAGNOSIS,
    )
