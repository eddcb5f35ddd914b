### The pages of a new register

# how to keep it
register-step-label = 1. Label every instrument, wire and bench, and use the same labels here. Spaces, hyphens and capital letters make no difference.
register-step-fill = 2. Fill the lists Instruments, Wires and Set-ups. Add and move columns and rows as you like; the coloured headings have to stay as they are.
register-step-check = 3. After each check add a row to Zero history, and the day to “last check”.
register-step-sheets = 4. The check sheets can be printed and filled by hand, or filled here: they work out errors and say whether these are within the permissible error.
register-step-command = 5. Type “sheetlab register check” with the name of this file: it lists cells that are wrong or do not fit each other.
register-step-issue = 6. “sheetlab issue” with the option --register writes workbooks that know their set-up.
register-zero = What the instrument shows with closed jaws. It is positive when the zero mark stands short of the line (of a vernier: right of the main zero), and negative past it. Corrected reading = reading − zero error.

# its lists
register-note-instruments = A row an instrument. Numbers are in the unit of the row. Leave empty what you do not know; nothing is compared with an empty cell.
register-note-zeros = A row each time the zero error was taken, the newest below. Only add; do not change old rows.
register-note-wires = A row a wire. The diameter is that of the bare metal, measured with a checked instrument.
register-note-setups = A row a set-up: which wire and which instrument of the register stands for each one that a practical names. Add a column for others, headed by the name in the practical.
register-choose = Please choose one of the entries of the list in this cell.
register-other-unit = Is it a unit such as mm, cm, s or kg?
register-type-number = Type a number without its unit.
register-type-day = Type the day as 2026-09-01.
register-too-long = Please use at most 60 characters.

# check sheets
check-micrometer = Micrometer against gauge blocks or wires of known diameter. Clean the faces, let everything lie in the room for an hour, and always use the ratchet. Choose sizes over the whole range that stop the thimble at different places (not whole turns only).
check-micrometer-zero = Positive when the zero mark stands short of the line. The mean belongs into Zero history.
check-masses = Masses against a balance. The balance should be good to a third of the permissible error (check it with a known mass first). Masses of one batch are often wrong in the same direction: look at the signs, and at chips and paint.
check-masses-class = Ordinary slotted masses have no class; a maker's “± 1 %” of 100 g is 1000 mg. Write the largest error, as a fraction, as permissible error of the set into Instruments.
check-scale = Metre scale against a steel rule. Lay them edge to edge and read the steel rule, to a tenth of a millimetre, at two marks of the scale. Begin at a mark inside; compare the worn end with an inner mark in a row of its own.
check-level = Spirit level that a micrometer screw sets, in its place and under load. Turn the screw away each time, bring the bubble to its mark, always turning the same way to it, wait until it rests, and read the screw. In Instruments a level is a row of kind nominal; its permissible error is that of one setting.
check-level-within = Within: the range is at most twice the permissible error, and the standard deviation at most half of it, since twice the standard deviation covers about 95 % of settings (common practice, no source). All five settings are needed. If they creep one way, what is loaded or the room is not at rest: wait, and take them again.
check-level-sensitivity = Compare with what is engraved on the vial; its maker usually states the tilt for 2 mm of travel, which is one division where the marks are 2 mm apart. A bubble that sticks, or stops at different places from left and right, cannot be set well: clean the pivot, or change the vial.
