package scsi

import "fmt"

// Class is what a failed command says, of the disc or of something else.
type Class uint8

const (
	// NoError: nothing went wrong.
	NoError Class = iota
	// Recovered: the data is good; it did not come at once.
	Recovered
	// Medium: the drive says that the disc does not give the block up.
	Medium
	// Track: the drive lost the track, or did not find the place. Dear; a stall
	// may follow.
	Track
	// Unwritten: nothing is recorded there. No damage.
	Unwritten
	// Unrecognised: the drive can't make out the disc as a whole. It says nothing
	// of a single block.
	Unrecognised
	// NotReady: not now.
	NotReady
	// NoMedium: there is no disc.
	NoMedium
	// Changed: another disc may be in. The command was not performed.
	Changed
	// Reset: the drive was reset or switched on: its settings are gone, and the
	// disc may have been exchanged meanwhile. The command was not performed.
	Reset
	// Notice: the drive told something else first. The command was not performed.
	Notice
	// Hardware: the drive is at fault, or what the disc does to it looks so.
	Hardware
	// Refused: the command asks for what this drive or disc does not have.
	Refused
	// Protected: the data is there and the drive keeps it, for protection.
	Protected
	// Aborted: the command was broken off on its way. It says nothing of the disc.
	Aborted
	// Deferred: an earlier command failed after all. This one was not performed.
	Deferred
)

var classNames = [...]string{
	NoError: "no error", Recovered: "recovered error", Medium: "medium error", Track: "track lost",
	Unwritten: "not recorded", Unrecognised: "disc not recognised", NotReady: "not ready",
	NoMedium: "no disc", Changed: "disc may have changed", Reset: "drive was reset",
	Notice: "unit attention", Hardware: "hardware error", Refused: "request refused",
	Protected: "protected", Aborted: "command aborted", Deferred: "deferred error",
}

// String is the class in words.
func (c Class) String() string {
	if int(c) < len(classNames) {
		return classNames[c]
	}
	return fmt.Sprintf("class %d", uint8(c))
}

// Advice is what to do next.
type Advice uint8

const (
	NoAdvice Advice = iota
	NoteWeak
	LeaveBad
	TryRaw
	TryLater
	Ignore
	NoStreaming
	Wait
	WaitBriefly
	WaitLong
	StartUnit
	Attend
	LoadDisc
	ReadBlindly
	FindSize
	Identify
	Reapply
	Reread
	AskAgain
	AskLess
	DoWithout
	ClipRange
	UseReadCD
	Unlock
	LeaveAlone
	CallUnrecorded
	LetGo
	ResetDrive
	GiveUp
)

var adviceTexts = [...]string{
	NoAdvice:       "nothing to do",
	NoteWeak:       "note the place as weak",
	LeaveBad:       "leave it for another pass or another surface",
	TryRaw:         "leave it; raw reading with READ CD may still bring something",
	TryLater:       "read elsewhere first, then here again at another speed",
	Ignore:         "ignore it, it is not about the sectors",
	NoStreaming:    "ask again without streaming",
	Wait:           "wait until the drive is ready",
	WaitBriefly:    "wait a little; if it stays so, give up",
	WaitLong:       "wait, it may take long",
	StartUnit:      "start the spindle",
	Attend:         "see to the drive by hand",
	LoadDisc:       "put the disc in and close the tray",
	ReadBlindly:    "read without knowing the disc's layout",
	FindSize:       "take the size from elsewhere; the lead-in is damaged",
	Identify:       "identify the disc before anything else is read",
	Reapply:        "identify drive and disc, then apply the settings again",
	Reread:         "read the drive's settings again",
	AskAgain:       "ask again",
	AskLess:        "ask for less at a time, or without that setting",
	DoWithout:      "do without it, the drive does not have it",
	ClipRange:      "don't ask again; the disc ends before",
	UseReadCD:      "use READ CD, or split the request at the track's border",
	Unlock:         "unlock the tray first",
	LeaveAlone:     "leave it alone; the disc is protected",
	CallUnrecorded: "count it as not recorded, not as damage",
	LetGo:          "somebody pressed the button: finish, unlock and eject",
	ResetDrive:     "pause, then reset the drive; if it stays so, give up",
	GiveUp:         "give up with this disc in this drive",
}

// String is the advice as a clause.
func (a Advice) String() string {
	if int(a) < len(adviceTexts) {
		return adviceTexts[a]
	}
	return fmt.Sprintf("advice %d", uint8(a))
}

// Meaning is what sense data means to whoever reads a disc.
type Meaning struct {
	Class  Class
	Text   string // of the code, as [Sense.Text]
	Advice Advice
}

// Meaning looks the sense data up: the rule of key, ASC and ASCQ, else that of key
// and ASC, else the key's. A deferred error is about another command, whatever it
// says.
func (s Sense) Meaning() Meaning {
	if s.Deferred {
		return Meaning{Deferred, s.Text(), AskAgain}
	}
	r := keyRules[s.Key&15]
	for _, c := range senseRules {
		if c.keys>>(s.Key&15)&1 == 0 || c.asc != s.ASC {
			continue
		}
		if c.ascq == int(s.ASCQ) {
			r = c.verdict
			break
		}
		if c.ascq == anyQualifier {
			r = c.verdict
		}
	}
	return Meaning{r.class, s.Text(), r.advice}
}
