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
    .remedy = Ask the supplier, or break a piece of the same reel in a guarded test.
material-not-listed =
    .found = the practical's list of materials has no “{ $choice }”, which “{ $name }” gives as its choice
    .expected = one of: { $choices }
    .remedy = Correct the file of materials; the plan is made with the usual entry.
yield-above-breaking =
    .found = the least yield stress given for “{ $name }” is not below its least breaking stress: wires of one name differ, and both are the least of many
    .expected = a yield stress below the breaking stress
    .remedy = Keep to the fraction of breaking; watch whether the wire comes back.
no-yield-stress =
    .found = no yield stress with a source is known for “{ $name }”
    .expected = a yield stress
    .remedy = Give one in a file with --materials; watch whether the wire comes back.

# loads
load-high =
    .found = the greatest load brings the wire to { $part } of the least breaking stress
    .expected = { $limit } at most
    .remedy = Take fewer or smaller masses, or another wire.
load-near-yield =
    .found = the greatest load brings the wire to { $part } of the least yield stress
    .expected = { $limit } at most, so that the wire comes back
    .remedy = Take fewer or smaller masses, or another wire; near yield the readings predicted here no longer hold.
load-refused =
    .found = { $what } the wire to { $stress } MPa, { $part } of the least breaking stress of { $name } ({ $breaking } MPa)
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
