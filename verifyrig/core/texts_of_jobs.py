"""English texts of what a job notes by key: changes, steps, dangers, what is asked and consented to, by their codes."""

from __future__ import annotations

TEXTS_OF_JOBS: dict[str, str] = {
    # Kinds of change (jobs.vocabulary)
    "change-cleaned": "cleaned",
    "change-paste-renewed": "paste renewed",
    "change-reseated": "cooler or part taken off and seated again",
    "change-turned-or-moved": "turned or moved",
    "change-part-replaced": "part replaced",
    "change-part-fitted-for-test": "part fitted for test only",
    "change-part-returned": "test part taken out, the customer's own back in",
    "change-setting-changed": "setting changed",
    "change-firmware-set": "firmware set",
    # Protective steps, as they stand on a page once they are true
    "step-photographed": "Condition photographed before anything was changed",
    "step-static": "Static: strap worn, and only with the machine switched off and unplugged",
    "step-cables-clear": "Cables clear of every fan; fan and pump plugs in the right headers",
    "step-closed-up": "All screws and covers back; no tool and no screw left inside",
    "step-settings-noted": "Firmware settings as agreed with the customer",
    "step-no-coolant": "Block, hoses and radiator dry after the last run",
    "step-pump-below": "Pump below the highest point of the loop",
    "step-pack-flat": "Battery pack flat and undamaged, unplugged while the machine was open",
    "step-lid-and-feet": "Lid closes, feet and vents are free",
    # Dangers (jobs.dangers), each a clause
    "danger-pack": "a battery pack is swollen",
    "danger-shock": "touching it gives an electric shock",
    "danger-burnt": "something smells burnt or is scorched",
    "danger-leak": "coolant leaks",
    "danger-ground": "soft ground, a shut lid or covered vents: put it right first",
    # What is asked at intake
    "question-what": "What exactly happens?",
    "question-when": "When does it happen?",
    "question-doing": "What is it doing when it happens?",
    "question-how-often": "How often?",
    "question-time-from-start": "How long from the start until it happens?",
    "question-restart": "Does it start again?",
    "question-noises": "Any noise?",
    "question-recent-changes": "What changed before it began?",
    "question-place": "Where does it stand?",
    "question-room": "How warm is the room there?",
    "question-pack": "Is the battery pack swollen, or does the case bulge over it?",
    "question-leak": "Any trace of coolant outside its loop?",
    "question-smell": "Does it smell burnt?",
    "question-connector": "How do its plugs and connectors look?",
    "question-price": "Up to which price without asking again?",
    # What a person answers before a load (jobs.safety)
    "asked-leak": "Any trace of coolant outside its loop?",
    "asked-pack": "Is a battery pack swollen, or the case bulging over it?",
    "asked-burnt": "A burnt smell, or a scorched plug or connector?",
    "asked-ground": "Hard ground, lid open, vents free?",
    # What the customer consents to
    "consent-data": "May we start the customer's own system and read its logs?",
    "consent-backup": "Is there a backup of the data?",
    "consent-encryption-key": "Does the customer hold the recovery key of the drive's encryption?",
    "consent-heavy-load": "May we run a heavy load, which can finish a part that is dying?",
    "consent-graphics-and-processor": "May we load graphics and processor together?",
    "consent-storage-writes": "May a load write to the customer's drive?",
}
