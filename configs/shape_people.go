package configs

// peopleFile is the shape of people.yaml.
type peopleFile struct {
	Here      place                  `yaml:"-"`
	People    entries[personShape]   `yaml:"people" jsonschema_description:"Those who can be told, by duty rather than by name."`
	Rosters   entries[rosterShape]   `yaml:"rosters" jsonschema_description:"Who is on call when."`
	Ladders   entries[ladderShape]   `yaml:"ladders" jsonschema_description:"How a call-out climbs until somebody takes the alarm."`
	Calendars entries[calendarShape] `yaml:"calendars" jsonschema_description:"Holidays and other days, from calendar files."`
	Routes    []routeShape           `yaml:"routes" jsonschema_description:"Which alarms climb which ladder; the first that matches decides."`
	Flood     floodShape             `yaml:"flood" jsonschema_description:"How fast digests follow each other while a flood lasts."`
	Shifts    entries[shiftShape]    `yaml:"shifts" jsonschema_description:"Named stretches of the day in the centre's time zone."`
}

type floodShape struct {
	Here     place      `yaml:"-"`
	Digests  list[span] `yaml:"digests" jsonschema_description:"How long after one digest of a flood a person gets the next, step by step, the last for all that follow; 1m, 5m, 10m, 20m, 40m when left out."`
	Critical list[span] `yaml:"critical" jsonschema_description:"The same when something critical waits to be told, ten minutes at most; 20s, 1m, 2m when left out."`
}

type calendarShape struct {
	Here place `yaml:"-"`
	File text  `yaml:"file" jsonschema_description:"An iCalendar file (RFC 5545) below the configuration folder, such as calendars/colorado.ics."`
}

type personShape struct {
	Here     place        `yaml:"-"`
	Name     text         `yaml:"name" jsonschema_description:"As shown: North crew, first on call."`
	TimeZone text         `yaml:"time-zone" jsonschema_description:"IANA time zone; the centre's when left out."`
	Reach    []reachShape `yaml:"reach" jsonschema_description:"How to reach them, in order of preference."`
	Quiet    []quietShape `yaml:"quiet" jsonschema_description:"When lesser alarms wait."`
	Budget   integer      `yaml:"messages-an-hour" jsonschema_description:"Beyond so many an hour messages are bundled into digests, critical alarms excepted; 20 when left out."`
}

type reachShape struct {
	Here    place `yaml:"-"`
	Gateway text  `yaml:"gateway" jsonschema_description:"Name of a gateway of standwatch.yaml."`
	To      text  `yaml:"to" jsonschema_description:"Mail address, or telephone number such as +13035550142 in quotes."`
}

type quietShape struct {
	Here  place      `yaml:"-"`
	Days  list[text] `yaml:"days" jsonschema_description:"mon to sun; all when left out."`
	From  text       `yaml:"from" jsonschema_description:"Time of day, such as \"22:00\"."`
	To    text       `yaml:"to" jsonschema_description:"Time of day; waiting messages go out then."`
	Below severity   `yaml:"below" jsonschema_description:"Alarms less severe than this wait."`
}

type rosterShape struct {
	Here     place          `yaml:"-"`
	Name     text           `yaml:"name" jsonschema_description:"As shown."`
	TimeZone text           `yaml:"time-zone" jsonschema_description:"IANA time zone; the centre's when left out."`
	Turns    []turnShape    `yaml:"turns" jsonschema_description:"Rotations; together they should leave no hole."`
	StandIns []standInShape `yaml:"stand-ins" jsonschema_description:"Who takes somebody's place for a while."`
	Proof    text           `yaml:"proof" jsonschema_description:"Time of day at which whoever is on call is told that the master lives, such as \"08:00\"; its absence is what people notice."`
}

type turnShape struct {
	Here     place      `yaml:"-"`
	People   list[text] `yaml:"people" jsonschema_description:"Whose turn it is, one after the other."`
	Start    text       `yaml:"start" jsonschema_description:"Date of the first turn, such as 2026-01-05."`
	HandOver text       `yaml:"hand-over" jsonschema_description:"Time of day, such as \"08:00\"."`
	Every    text       `yaml:"every" jsonschema_description:"day or week; or give a rule."`
	Interval integer    `yaml:"interval" jsonschema_description:"Every so many days or weeks; 1 when left out."`
	Rule     text       `yaml:"rule" jsonschema_description:"RFC 5545 recurrence rule in place of every, such as FREQ=WEEKLY;BYDAY=MO,WE."`
	Lasts    span       `yaml:"lasts" jsonschema_description:"How long a turn is; until the next when left out."`
	On       text       `yaml:"on" jsonschema_description:"Turns begin on the days of this calendar alone."`
	Except   text       `yaml:"except" jsonschema_description:"No turn begins on the days of this calendar."`
}

type standInShape struct {
	Here   place `yaml:"-"`
	Person text  `yaml:"person" jsonschema_description:"Who stands in."`
	For    text  `yaml:"for" jsonschema_description:"For whom; whoever is on call when left out."`
	From   text  `yaml:"from" jsonschema_description:"\"2026-12-24 18:00\" in the roster's zone, or RFC 3339."`
	To     text  `yaml:"to" jsonschema_description:"The same."`
}

type ladderShape struct {
	Here      place       `yaml:"-"`
	Rungs     []rungShape `yaml:"rungs" jsonschema_description:"Climbed from the first on."`
	Rounds    integer     `yaml:"rounds" jsonschema_description:"How often the ladder is climbed in all; 1 when left out."`
	Then      text        `yaml:"then" jsonschema_description:"The ladder that follows when nobody took it; left out, those who were told hear that nobody did."`
	TellTaken truth       `yaml:"tell-taken" jsonschema_description:"Those who were told hear who took it."`
}

type rungShape struct {
	Here    place         `yaml:"-"`
	Tell    []targetShape `yaml:"tell" jsonschema_description:"Whom to tell."`
	Over    list[text]    `yaml:"over" jsonschema_description:"Gateways used at once; left out, each person's own order."`
	Wait    span          `yaml:"wait" jsonschema_description:"How long somebody has to take it before the next step."`
	AtLeast severity      `yaml:"at-least" jsonschema_description:"Only for alarms of this severity or worse."`
	Repeat  integer       `yaml:"repeat" jsonschema_description:"Told so many times more before the next rung."`
}

type targetShape struct {
	Here   place `yaml:"-"`
	Person text  `yaml:"person" jsonschema_description:"A person."`
	Roster text  `yaml:"roster" jsonschema_description:"Whoever is on call there."`
}

type routeShape struct {
	Here      place        `yaml:"-"`
	Name      text         `yaml:"name" jsonschema_description:"What the route is called."`
	AtLeast   severity     `yaml:"at-least" jsonschema_description:"Alarms of this severity or worse."`
	Sites     list[text]   `yaml:"sites" jsonschema_description:"Site IDs; all when left out."`
	Points    list[text]   `yaml:"points" jsonschema_description:"Point IDs; all when left out."`
	Tags      list[text]   `yaml:"tags" jsonschema_description:"Sites with one of these tags."`
	Regions   list[text]   `yaml:"regions" jsonschema_description:"Sites of one of these regions."`
	Classes   list[text]   `yaml:"classes" jsonschema_description:"Points of one of these classes."`
	Causes    list[text]   `yaml:"causes" jsonschema_description:"Points with one of these probable causes."`
	Hours     []hoursShape `yaml:"hours" jsonschema_description:"Only in these hours."`
	Ladder    text         `yaml:"ladder" jsonschema_description:"The ladder that is climbed."`
	BoardOnly truth        `yaml:"board-only" jsonschema_description:"The board alone; nobody is told."`
}

type hoursShape struct {
	Here   place      `yaml:"-"`
	Days   list[text] `yaml:"days" jsonschema_description:"mon to sun; all when left out."`
	From   text       `yaml:"from" jsonschema_description:"Time of day, such as \"07:00\"."`
	To     text       `yaml:"to" jsonschema_description:"Time of day; earlier than from runs past midnight."`
	Zone   text       `yaml:"time-zone" jsonschema_description:"centre (default), site, or an IANA time zone."`
	On     text       `yaml:"on" jsonschema_description:"Only on the days of this calendar."`
	Except text       `yaml:"except" jsonschema_description:"Not on the days of this calendar."`
}

type shiftShape struct {
	Here place `yaml:"-"`
	From text  `yaml:"from" jsonschema_description:"Time of day in the centre's zone, such as \"07:00\"."`
	To   text  `yaml:"to" jsonschema_description:"Time of day; earlier than from runs past midnight."`
}
