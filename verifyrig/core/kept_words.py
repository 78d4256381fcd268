"""How records and job files spell what a job notes by key where it is the value of a reason: by an English text.

The table is frozen, as that of the sentences is (`core.old_sentences`): the texts stay as they were first kept, however
the same is worded today. What is added today has no spelling of its own, and is kept as a reason.
"""

from __future__ import annotations

_DANGERS = {
    "a battery pack is swollen": "danger-pack",
    "touching it gives an electric shock": "danger-shock",
    "something smells burnt or is scorched": "danger-burnt",
    "coolant leaks": "danger-leak",
}
# Name of the value -> its text -> its code. Where two texts have one code, the later is the one that is written.
CODES: dict[str, dict[str, str]] = {
    "change": {
        "cleaned": "change-cleaned",
        "paste renewed": "change-paste-renewed",
        "cooler or part taken off and seated again": "change-reseated",
        "turned or moved": "change-turned-or-moved",
        "part replaced": "change-part-replaced",
        "part fitted for test only": "change-part-fitted-for-test",
        "test part taken out, the customer's own back in": "change-part-returned",
        "setting changed": "change-setting-changed",
        "firmware set": "change-firmware-set",
    },
    "step": {
        "Condition photographed before anything was changed": "step-photographed",
        "Static: strap worn, and only with the machine switched off and unplugged": "step-static",
        "Cables clear of every fan; fan and pump plugs in the right headers": "step-cables-clear",
        "All screws and covers back; no tool and no screw left inside": "step-closed-up",
        "Firmware settings as agreed with the customer": "step-settings-noted",
        "No trace of coolant at block, hoses and radiator after the last run": "step-no-coolant",
        "Block, hoses and radiator dry after the last run": "step-no-coolant",
        "Pump not at the highest point of the loop": "step-pump-below",
        "Pump below the highest point of the loop": "step-pump-below",
        "Battery pack flat and undamaged, unplugged while the machine was open": "step-pack-flat",
        "Lid closes, feet and vents are free": "step-lid-and-feet",
    },
    "danger": _DANGERS,
    "text": _DANGERS,
    "question": {
        "Any trace of coolant outside its loop?": "asked-leak",
        "Is a battery pack swollen, or the case bulging over it?": "asked-pack",
        "A burnt smell, or a scorched plug or connector?": "asked-burnt",
        "Hard ground, lid open, vents free?": "asked-ground",
    },
    "consent": {
        "May we start the customer's own system and read its logs?": "consent-data",
        "Is there a backup of the data?": "consent-backup",
        "Does the customer hold the recovery key of the drive's encryption?": "consent-encryption-key",
        "May we run a heavy load, which can finish a part that is dying?": "consent-heavy-load",
        "May we load graphics and processor together?": "consent-graphics-and-processor",
        "May a load write to the customer's drive?": "consent-storage-writes",
    },
}
SPELLINGS = {name: {code: text for text, code in codes.items()} for name, codes in CODES.items()}
