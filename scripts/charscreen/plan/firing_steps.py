"""What is done in a firing, step by step, to be ticked off on its run sheet."""

WASH = "Washed until the water is neutral, dried at 105\N{NO-BREAK SPACE}°C to constant mass"
CHAR_STEPS = (
    "Balance zeroed, empty crucibles weighed",
    "Feed weighed, dried at 105\N{NO-BREAK SPACE}°C to constant mass, weighed again, or its "
    "moisture taken from an aliquot",
    "Crucibles marked with their run and checked against the map",
    "Charge packed in carbon powder, lid on",
    "Off-gas led outdoors, alarm tried",
    "Kiln log started, programme checked against the conditions above",
    "Kiln cold right through before it was opened",
    "Char weighed dry, put into closed metal with its run on it",
)
ACTIVATION_STEPS = (
    "Balance zeroed; char taken weighed",
    "KOH weighed from a closed pack, quickly: it takes up water from the air",
    "Char and KOH mixed, crucibles marked with their run, lids on",
    "Place of each crucible written on the map",
    "Kiln log started, programme checked against the conditions above",
    "Kiln cold right through before it was opened, by the written procedure",
    WASH,
    "Activated carbon weighed dry, container marked with its run",
)
