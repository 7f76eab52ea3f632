package scsi

import "testing"

// Codes that whoever reads a damaged disc must tell apart. What is to be done
// about each is common practice with no source; the names are SPC's, see text.go.
func TestMeaning(t *testing.T) {
	for _, v := range []struct {
		key        Key
		asc        uint8
		first, end uint8 // ASCQ, both included
		class      Class
		advice     Advice
	}{
		{NoSense, 0x00, 0x00, 0x00, NoError, NoAdvice},
		{RecoveredError, 0x17, 0x00, 0x09, Recovered, NoteWeak},
		{RecoveredError, 0x18, 0x00, 0x08, Recovered, NoteWeak},
		{RecoveredError, 0x11, 0x05, 0x05, Recovered, NoteWeak},
		{RecoveredError, 0x2E, 0x01, 0x02, Recovered, NoteWeak},
		{NotReadyKey, 0x04, 0x00, 0x00, NotReady, WaitBriefly},
		{NotReadyKey, 0x04, 0x01, 0x01, NotReady, Wait},
		{NotReadyKey, 0x04, 0x02, 0x02, NotReady, StartUnit},
		{NotReadyKey, 0x04, 0x03, 0x03, NotReady, Attend},
		{NotReadyKey, 0x04, 0x04, 0x04, NotReady, WaitLong},
		{NotReadyKey, 0x04, 0x07, 0x09, NotReady, Wait},
		{NotReadyKey, 0x04, 0x12, 0x12, NotReady, WaitBriefly},
		{NotReadyKey, 0x3A, 0x00, 0x03, NoMedium, LoadDisc},
		{NotReadyKey, 0x3E, 0x00, 0x02, NotReady, GiveUp},
		{NotReadyKey, 0x30, 0x00, 0x02, Unrecognised, GiveUp},
		{NotReadyKey, 0x06, 0x00, 0x00, Track, TryLater},
		{MediumError, 0x02, 0x00, 0x00, Track, TryLater},
		{MediumError, 0x09, 0x00, 0x05, Track, TryLater},
		{MediumError, 0x15, 0x00, 0x02, Track, TryLater},
		{MediumError, 0x10, 0x00, 0x00, Medium, LeaveBad},
		{MediumError, 0x11, 0x00, 0x05, Medium, LeaveBad},
		{MediumError, 0x11, 0x06, 0x06, Medium, TryRaw},
		{MediumError, 0x11, 0x07, 0x08, Medium, LeaveBad},
		{MediumError, 0x11, 0x0F, 0x10, Refused, Ignore},
		{MediumError, 0x11, 0x11, 0x11, Aborted, NoStreaming},
		{MediumError, 0x11, 0x7F, 0x7F, Medium, LeaveBad}, // unknown
		{MediumError, 0x12, 0x00, 0x00, Medium, LeaveBad},
		{MediumError, 0x13, 0x00, 0x00, Medium, LeaveBad},
		{MediumError, 0x14, 0x00, 0x01, Medium, LeaveBad},
		{MediumError, 0x16, 0x00, 0x00, Medium, LeaveBad},
		{MediumError, 0x30, 0x01, 0x02, Unrecognised, GiveUp},
		{MediumError, 0x31, 0x00, 0x00, Unrecognised, ReadBlindly},
		{MediumError, 0x57, 0x00, 0x00, Unrecognised, FindSize},
		{MediumError, 0x0C, 0x00, 0x0A, Hardware, GiveUp},
		{MediumError, 0x03, 0x00, 0x02, Hardware, GiveUp},
		{HardwareError, 0x08, 0x00, 0x03, Hardware, ResetDrive},
		{HardwareError, 0x09, 0x00, 0x05, Hardware, TryLater},
		{HardwareError, 0x15, 0x00, 0x02, Hardware, TryLater},
		{HardwareError, 0x1B, 0x00, 0x00, Hardware, ResetDrive},
		{HardwareError, 0x3E, 0x01, 0x02, Hardware, ResetDrive},
		{HardwareError, 0x40, 0x80, 0xFF, Hardware, ResetDrive},
		{HardwareError, 0x44, 0x00, 0x00, Hardware, ResetDrive},
		{HardwareError, 0x47, 0x00, 0x03, Hardware, ResetDrive},
		{IllegalRequest, 0x20, 0x00, 0x00, Refused, DoWithout},
		{IllegalRequest, 0x21, 0x00, 0x07, Refused, ClipRange},
		{IllegalRequest, 0x24, 0x00, 0x00, Refused, AskLess},
		{IllegalRequest, 0x26, 0x00, 0x02, Refused, AskLess},
		{IllegalRequest, 0x63, 0x00, 0x00, Refused, ClipRange},
		{IllegalRequest, 0x64, 0x00, 0x00, Refused, UseReadCD},
		{IllegalRequest, 0x6F, 0x00, 0x05, Protected, LeaveAlone},
		{IllegalRequest, 0x30, 0x00, 0x00, Unrecognised, GiveUp},
		{IllegalRequest, 0x39, 0x00, 0x00, Refused, DoWithout},
		{IllegalRequest, 0x53, 0x02, 0x02, Refused, Unlock},
		{UnitAttention, 0x28, 0x00, 0x02, Changed, Identify},
		{UnitAttention, 0x29, 0x00, 0x07, Reset, Reapply},
		{UnitAttention, 0x2A, 0x00, 0x01, Notice, Reread},
		{UnitAttention, 0x3F, 0x01, 0x03, Reset, Reapply},
		{UnitAttention, 0x5A, 0x00, 0x00, Notice, AskAgain},
		{UnitAttention, 0x5A, 0x01, 0x01, Notice, LetGo},
		{UnitAttention, 0x5E, 0x00, 0x04, Notice, Reread},
		{UnitAttention, 0x77, 0x00, 0xFF, Changed, Identify}, // unknown
		{DataProtect, 0x27, 0x00, 0x00, Protected, GiveUp},
		{BlankCheck, 0x00, 0x00, 0xFF, Unwritten, CallUnrecorded},
		{BlankCheck, 0x64, 0x00, 0x00, Unwritten, CallUnrecorded},
		{AbortedCommand, 0x00, 0x06, 0x06, Aborted, AskAgain},
		{AbortedCommand, 0x08, 0x00, 0x03, Aborted, AskAgain},
		{AbortedCommand, 0x47, 0x00, 0x03, Aborted, AskAgain},
		{AbortedCommand, 0x4B, 0x00, 0x00, Aborted, AskAgain},
		{AbortedCommand, 0x4E, 0x00, 0x00, Aborted, AskAgain},
		{AbortedCommand, 0x2E, 0x00, 0x02, Aborted, AskLess},
		{HardwareError, 0x2E, 0x01, 0x02, Aborted, AskLess},
		{MediumError, 0x2E, 0x01, 0x02, Aborted, AskLess},
	} {
		for q := int(v.first); q <= int(v.end); q++ {
			s := Sense{Key: v.key, ASC: v.asc, ASCQ: uint8(q)}
			if m := s.Meaning(); m.Class != v.class || m.Advice != v.advice {
				t.Errorf("%s means %v, %v; want %v, %v", s.Code(), m.Class, m.Advice, v.class, v.advice)
			}
			s.Deferred = true
			if m := s.Meaning(); m.Class != Deferred || m.Advice != AskAgain {
				t.Errorf("%s deferred means %v, %v; want a deferred error", s.Code(), m.Class, m.Advice)
			}
		}
	}
}

// No rule stands where another hides it, and each class and advice is in words.
func TestRulesAreOfUse(t *testing.T) {
	seen := map[[3]int]bool{}
	used := map[Advice]bool{}
	for _, r := range keyRules {
		used[r.advice] = true
	}
	for _, r := range senseRules {
		used[r.advice] = true
		for k := range 16 {
			id := [3]int{k, int(r.asc), r.ascq}
			if r.keys>>k&1 == 1 && seen[id] {
				t.Errorf("two rules for key %X, ASC %02X, ASCQ %d", k, r.asc, r.ascq)
			} else if r.keys>>k&1 == 1 {
				seen[id] = true
			}
		}
	}
	for a := NoAdvice; a <= GiveUp; a++ {
		if !used[a] || adviceTexts[a] == "" {
			t.Errorf("advice %d, %q, is in no rule or has no words", a, adviceTexts[a])
		}
	}
	for c := NoError; c <= Deferred; c++ {
		if classNames[c] == "" {
			t.Errorf("class %d has no words", c)
		}
	}
}

func TestTextOfUnknownCodes(t *testing.T) {
	for _, v := range []struct {
		s    Sense
		want string
	}{
		{Sense{Key: MediumError, ASC: 0x11, ASCQ: 0x7F}, "medium error, code 11/7F"},
		{Sense{Key: HardwareError, ASC: 0x40, ASCQ: 0x85}, "diagnostic failure on component 85h"},
		{Sense{Key: MediumError, ASC: 0x91, ASCQ: 0x01}, "medium error, the drive maker's code 91/01"},
	} {
		if got := v.s.Text(); got != v.want {
			t.Errorf("Text of %s = %q; want %q", v.s.Code(), got, v.want)
		}
	}
	s := Sense{Key: MediumError, ASC: 0x11, ASCQ: 5, Valid: true, Information: 200000}
	if got, want := s.String(), "3/11/05 L-EC uncorrectable error at 200000"; got != want {
		t.Errorf("String() = %q; want %q", got, want)
	}
}
