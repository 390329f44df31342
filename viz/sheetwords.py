"""Every sentence of a work-instruction pack that no step has; by the rules of ``wording``."""

from __future__ import annotations

SOURCE = "The content of the engine folder has this SHA-256 hash. Compare it before you use the pack."
IN_PREPARATION = "In preparation"
_NUMBERS = {2: "two", 3: "three", 4: "four"}
NUMBERS = "Write a number in each blank for a reading. A tick is no reading."
OWN_READING = "The inspector takes a reading independently, and does not look at the fitter's reading first."
REPEATED = "If you repeat a step, use a new line. Do not write over a reading."
ZONE = (
    "A reading in the acceptance zone proves the item. "
    "A reading inside the limits but not in the zone is “not proved”. A reading outside the limits is “reject”."
)
NOT_PROVED = "If an item is “not proved”, write down the decision and the name of the person who made it."
TOOLS = "Count the tools and the blanks before the work and after it. Write down each serial number."
LEADS = "Ring out each plug lead at both ends. Then write your initials in its row."
PAINT_FITS = "At the tooth that fits, count the teeth from the paint mark at both ends."
PAINT_HOME = "When the coupling is home, count the teeth from the paint mark at both ends."
PAINT = "Before you draw the coupling, count the teeth from the paint mark at both ends."
HAND_OVER = "If you stop before the end of a step, complete this line. Tell it to the person who continues."
HANDS = "Read each serial number and the hand from the part, not from the box."
LOCKING = "After the inspection, write down how many locking parts you fitted. Count the parts that are left."
EARTH = "With each switch at OFF, prove the earth of its magneto. Write down the resistance."
MODEL = "The teeth and the amounts in this step are those of the model. The engine can need another tooth."
FORM = "Write what you read. Leave a row empty if you did not read it. Never guess."
FORM_FILE = "Type the rows into the file that “quillwise diagnose --blank” writes. Then give the file to the program."
CLEARANCE = "Set each valve with the engine cold and the cam on its heel."
HOLD = "HOLD POINT: Do not continue before the inspector signs."
CRITICAL = "CRITICAL ITEM: The fitter and the inspector each sign it."
SIGN_OFF = "Sign only when all blanks are complete and no discrepancy is open."


def two_people(banks: int, magnetos: int) -> str:
    """Who signs, and who does not set all of what is set more than once. ``banks``, ``magnetos``: how many are set."""
    told = ["Two people sign each critical item: the fitter and an inspector who did not do the work."]
    for count, what in ((banks, "banks"), (magnetos, "magnetos")):
        if count > 1:
            told.append(f"Different people set the {_NUMBERS.get(count, count)} {what}.")
    return " ".join(told)


def last_look(leads: bool) -> str:
    """What is looked for in the engine at the end. ``leads``: whether there are plug leads."""
    what = "tools, blanks and leads" if leads else "tools and blanks"
    return f"Before the sign-off, look for {what} in the engine."


SENTENCES = (
    SOURCE,
    *(two_people(banks, magnetos) for banks, magnetos in ((1, 0), (2, 2), (3, 5))),
    NUMBERS,
    OWN_READING,
    REPEATED,
    ZONE,
    NOT_PROVED,
    TOOLS,
    LEADS,
    PAINT,
    HAND_OVER,
    HANDS,
    LOCKING,
    EARTH,
    MODEL,
    FORM,
    FORM_FILE,
    CLEARANCE,
    HOLD,
    CRITICAL,
    SIGN_OFF,
    *(last_look(leads) for leads in (True, False)),
)
