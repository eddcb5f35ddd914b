### A plan before class: settings, loads, materials

# settings
setting-refused_choice =
    .found = “{ $name }”: “{ $text }” is not a choice
    .expected = { $choices }
    .remedy = Correct it and plan again; nothing was written.
setting-refused_limits =
    .found = “{ $name }”: { $value }
    .expected = { $low } to { $high }
    .remedy = Correct it and plan again; nothing was written.
setting-refused_no-number =
    .found = “{ $name }”: “{ $text }” is no number
    .expected = a number without a unit, such as 2.5
    .remedy = Correct it and plan again; nothing was written.
setting-refused_no-value =
    .found = a setting: “{ $text }” is not NAME=VALUE
    .expected = a setting like L=2.1
    .remedy = Correct it and plan again; nothing was written.
setting-refused_readings =
    .found = the assumptions: { $reason }
    .expected = assumptions that readings can come of
    .remedy = Correct it and plan again; nothing was written.
setting-refused_two-ways =
    .found = “{ $name }”: “{ $text }” can be read as { $value } and as { $other }
    .expected = a decimal point
    .remedy = Correct it and plan again; nothing was written.
setting-refused_unknown =
    .found = “{ $name }”: there is nothing of this name
    .expected = { $known }
    .remedy = Correct it and plan again; nothing was written.
setting-refused_whole =
    .found = “{ $name }”: { $value }
    .expected = a whole number
    .remedy = Correct it and plan again; nothing was written.

# what is hung on what
setting-refused_diameters =
    .found = the gauge “{ $gauge }” and { $name } = { $value }: both give the diameter
    .expected = a gauge or a diameter
    .remedy = Correct it and plan again; nothing was written.
setting-refused_gauge =
    .found = the gauge: the definition has no diameter for it
    .expected = no such option
    .remedy = Correct it and plan again; nothing was written.
setting-refused_height =
    .found = the height: { $height } cm
    .expected = a height of 0 to 500 cm
    .remedy = Correct it and plan again; nothing was written.
setting-refused_limit =
    .found = the limit: { $limit }
    .expected = up to { $most }
    .remedy = Correct it and plan again; nothing was written.
setting-refused_masses =
    .found = the masses: “{ $text }” is not understood
    .expected = masses without a unit like 0.5x10,0.2x5 (with a decimal comma: 0,5x10;0,2x5)
    .remedy = Correct it and plan again; nothing was written.
setting-refused_masses-result =
    .found = the masses: they make { $count } loads and no schedule, and no result comes of these. { $advice }
    .expected = masses for { $least } or more loads
    .remedy = Correct it and plan again; nothing was written.
setting-refused_masses-rows =
    .found = “{ $table }.rows”: { $rows } loads within the limits cannot be made of the masses given ({ $masses })
    .expected = { $loads }, in steps of { $step }
    .remedy = Correct it and plan again; nothing was written.
setting-refused_masses-step =
    .found = “{ $name }”: { $count } loads in steps of { $step } { $unit } cannot be made of the masses given ({ $masses })
    .expected = loads that these masses can make, or no step, or no masses
    .remedy = Correct it and plan again; nothing was written.
setting-refused_masses-two-ways =
    .found = the masses: “{ $whole },{ $part }” can be read in two ways; write { $whole }.{ $part } for one entry, { $whole };{ $part } for two
    .expected = masses without a unit like 0.5x10,0.2x5 (with a decimal comma: 0,5x10;0,2x5)
    .remedy = Correct it and plan again; nothing was written.
setting-refused_no-drop =
    .found = --drop: nothing is loaded here
    .expected = no such option
    .remedy = Correct it and plan again; nothing was written.
setting-refused_no-loads =
    .found = the { $what } “{ $text }”: nothing is loaded here
    .expected = no such option
    .remedy = Correct it and plan again; nothing was written.
no-such-gauge =
    .found = there is no gauge “{ $label }”
    .expected = { $first } to { $last }
    .remedy = Write it like “SWG 26” or “26 AWG”.
gauge-or-diameter = Or give no gauge but the diameter in { $unit }, like --set { $name }={ $value }
no-such-material =
    .found = there is no material “{ $name }” with a breaking stress
    .expected = { $known }
    .remedy = Choose one, or give a file of your own with --materials.
no-such-material_several =
    .found = “{ $name }” can be { $count } materials that break at different loads
    .expected = { $known }
    .remedy = Name one of them; nothing was written.

# what is known of a material
material-unconfirmed =
    .found = the strength of “{ $name }” is not confirmed
    .expected = a breaking stress with a source
    .remedy = Ask the supplier, or break a piece of the same batch in a guarded test.
material-not-listed =
    .found = the practical's list of materials has no “{ $choice }”, which “{ $name }” gives as its choice
    .expected = one of: { $choices }
    .remedy = Correct the file of materials; the plan is made with the usual entry.
yield-above-breaking =
    .found = the least yield stress given for “{ $name }” is not below its least breaking stress: samples of one name differ, and both are the least of many
    .expected = a yield stress below the breaking stress
    .remedy = Keep to the fraction of breaking; watch whether the { $body } comes back.
no-yield-stress =
    .found = no yield stress with a source is known for “{ $name }”
    .expected = a yield stress
    .remedy = Give one in a file with --materials; watch whether the { $body } comes back.

# loads
load-high =
    .found = the greatest load brings the { $body } to { $part } of the least breaking stress
    .expected = { $limit } at most
    .remedy = Take fewer or smaller masses, or another { $body }.
load-near-yield =
    .found = the greatest load brings the { $body } to { $part } of the least yield stress
    .expected = { $limit } at most, so that the { $body } comes back
    .remedy = Take fewer or smaller masses, or another { $body }; near yield the readings predicted here no longer hold.
load-refused =
    .found = { $what } the { $body } to { $stress } MPa, { $part } of the least breaking stress of { $name } ({ $breaking } MPa)
    .expected = { $limit } at most, or a stated reason (--reason)
    .remedy = { $remedy } Nothing was written.
load-refused-greatest = the greatest load brings
load-refused-all-hung = these masses give no schedule within the limits; hung one after another, all of them and the dead load bring
load-refused-schedule = Within the limits are { $loads } loads in steps of { $step } { $unit }.

# virtual benches
no-bench =
    .found = the definition of “{ $practical }” does not say how to invent readings
    .expected = a table “bench” in the definition file
    .remedy = Write one, or take another practical.
bench-fails =
    .found = the invented bench of “{ $practical }” gives no readings: { $reason }
    .expected = readings within their scales, from formulas that give a number
    .remedy = Correct the table “bench” in the definition file.

# what a plan says: its result
plan-stated = { $statement } at k = { $factor }; U is { $size } of { $symbol }.
plan-stated-by-profile = By the profile “{ $profile }” the number after ± is the { $name }: { $size } of { $symbol }.
plan-breaks = No result: from row { $row } on the load is above what the { $body } can break at. The tables below go on as if it held.
plan-assumed = Other values: --set NAME=VALUE in the unit shown; the command prints the names. (set): not the usual value.
plan-above-limit = !: above the limit of the breaking stress; no number: above half of it.
plan-masses-lack = –: also where the masses given do not suffice.

# its loads
plan-all-hung = These masses give no schedule within the limits; { $shown } for all of them, hung one after another.
plan-reason = Above { $limit } of breaking. Stated reason: { $reason }
plan-material = { $name }: breaks at { $breaking } MPa ({ $source }). Fractions are of the lower ends.
plan-material-yielding = { $name }: breaks at { $breaking } MPa, yields at { $yielding } MPa ({ $source }). Fractions are of the lower ends.
plan-weakest = This is the weakest of { $names }: it was not said which one is loaded. Name it with --material.
plan-gauge = { $name } is { $size } mm ({ $source }). Measure the wire: a number on a reel may mean either, and lacquer adds to the diameter.
plan-gauge-or = { $name } is { $size } mm ({ $source }). { $other } would be { $other_size } mm. Measure the wire: a number on a reel may mean either, and lacquer adds to the diameter.
plan-greatest = With the dead load the greatest stress is { $stress } MPa: { $of_breaking } of breaking. Limits: { $limit } of breaking, { $yield_limit } of yield; above { $most } of breaking a reason has to be stated.
plan-greatest-yielding = With the dead load the greatest stress is { $stress } MPa: { $of_breaking } of breaking, { $of_yield } of yield. Limits: { $limit } of breaking, { $yield_limit } of yield; above { $most } of breaking a reason has to be stated.
plan-schedule = { $loads } loads (the first is the dead load alone) in steps of { $step } { $unit }; the reading changes by { $total } divisions, { $each } a step.
plan-better = Better would be { $total } divisions in steps of { $each }.
plan-other-loads = The { $loads } loads { $which } move the reading by { $total } divisions, { $each } a step.
plan-loads-of-masses = of all masses given
plan-loads-set = that were set or assumed
plan-odd = An odd number of loads leaves one out where differences over half are taken.
plan-tables = The tables here are for those, not for other loads.

# what would help
advice-no-schedule = No schedule of { $loads } or more loads reaches { $total } divisions in steps of { $each } or more within the limits.
advice-few-masses = The masses given ({ $masses }) make { $loads } loads at most; take more and smaller ones.
advice-nothing = No change of masses, dead load, gauge, length or material alone is enough.
advice-fits = { $change }: then { $loads } loads in steps of { $step } { $unit } fit.
change-masses = Other masses
change-gauge = Gauge: { $name } ({ $size } mm)
change-masses-and-gauge = Other masses and gauge: { $name } ({ $size } mm)
change-dead-load = Dead load: { $value } { $unit }
change-length = Length: { $value } { $unit }
change-material = Material: { $name }

# on the risk sheet
risk-assessment = The assessment of the risk is made by the person in charge under the rules of the school or employer; the numbers above are a help for it and can be wrong for this place.
