"""Every sentence of a work-instruction pack that no step has; by the rules of ``wording``."""

from __future__ import annotations

SOURCE = "The content of the engine folder has this SHA-256 hash. Compare it before you use the pack."
IN_PREPARATION = "In preparation"
TWO_PEOPLE = (
    "Two people sign each critical item: the fitter and an inspector who did not do the work. "
    "Different people set the two banks. Different people set the two magnetos."
)
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
LAST_TURN = "Before the sign-off, look for tools, blanks and leads in the engine."

SENTENCES = (
    SOURCE,
    TWO_PEOPLE,
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
    LAST_TURN,
)
