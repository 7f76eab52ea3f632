package bench

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"turnstone/imager"
)

// longTry is how long a request may take before the line speaks of it.
const longTry = 3 * time.Second

// reading is the line of a pass that runs; how far it is is told apart.
func reading(p imager.Progress, t Telling, mm float64) bigLine {
	l := bigLine{Next: "Next: nothing to do. It ends by itself."}
	if t.Left != "" {
		l.Next = "Next: nothing to do. About " + t.Left + " left."
	}
	where := ""
	if mm > 0 {
		where = fmt.Sprintf(" at %.1f mm", mm)
	}
	switch {
	case p.Reviving != "":
		l.Now = fmt.Sprintf("The drive gives no answer: %s for %d s", p.Reviving, int(p.Trying.Seconds()))
	case p.Trying >= longTry:
		l.Now = fmt.Sprintf("Trying one place%s for %d s", where, int(p.Trying.Seconds()))
	case t.Rate != "":
		l.Now = "Reading" + where + ", " + t.Rate
	default:
		l.Now = "Reading" + where
	}
	return l
}

// endedWords are how a pass ended, for the line.
var endedWords = map[string]string{
	imager.HowComplete:    "Everything missing was asked for",
	imager.HowLittleLeft:  "Little is left to win on this surface",
	imager.HowBudget:      "The time that it had is over",
	imager.HowInterrupted: "Stopped",
	imager.HowStalled:     "The drive stopped answering",
	imager.HowGone:        "The drive went away",
	imager.HowOtherDisc:   "Another disc lies in the drive",
	imager.HowError:       "The pass failed",
	imager.HowKilled:      "The program was ended by force",
}

// cureWords are what to do after a pass that ended so.
var cureWords = map[string]string{
	imager.HowBudget:      "Next: go on with it.",
	imager.HowInterrupted: "Next: go on with it.",
	imager.HowKilled:      "Next: go on with it. What was saved is safe.",
	imager.HowStalled:     "Next: switch the drive off and on, wait until it is ready, go on.",
	imager.HowGone:        "Next: see that the drive is connected and holds the disc, then go on.",
	imager.HowOtherDisc:   "Next: put the job's own disc in, then go on.",
}

// atRest fills in a case on which nothing of this server runs.
func (b *Bench) atRest(c *shown, r *row) {
	far := b.Speech.Far(r.Good, r.All)
	how := lastHow(c.st)
	if c.ended != nil && c.ended.how != "" {
		how = c.ended.how
	}
	r.State = "resting"
	r.Line = bigLine{Now: "Resting", Far: far, Next: c.next}
	switch how {
	case "":
	case imager.HowComplete:
		r.Line.Now = "The pass is over"
	default:
		r.Line.Now = endedWords[how]
	}
	if cure := cureWords[how]; cure != "" {
		r.Line.Next = cure
	}
	switch seen := c.st.Seen; {
	case r.Locked:
		r.State = "elsewhere"
		r.Line = bigLine{Now: "Another program works on it", Far: far, Next: "It is shown here as of its last checkpoint."}
	case c.st.Closing != nil && c.st.Closing.Gone():
		r.State = "discarded"
		r.Line = bigLine{Now: "Discarded", Far: far, Next: "The customer's data is deleted; the figures are kept."}
	case c.st.Closing != nil:
		r.Line = bigLine{Now: "Closed", Far: far, Next: "Kept until " + c.st.Closing.KeepUntil + ". Reading opens it again."}
	case seen != nil && seen.Crack == "yes":
		r.State = "cracked"
		r.Line = bigLine{Now: "Cracked: not to be spun", Far: far, Next: "It can burst in the drive. What is left is a laboratory."}
	case c.ended != nil && c.ended.trouble != "":
		r.Line.Now = "It was not read"
		if c.ended.how != "" {
			r.Line.Now = endedWords[c.ended.how]
		}
		r.Line.Next = upper(c.ended.trouble)
	case c.st.Disc.Sectors == 0 || passes(c.st) == 0:
		r.State = "unread"
		r.Line = bigLine{Now: "Not read yet", Far: far, Next: "Next: put the disc in and read it."}
	case r.Missing == 0:
		r.State = "done"
		r.Line = bigLine{Now: "Everything is there", Far: far, Next: "Next: prove the image, hand over."}
		if c.st.Wanted != nil {
			r.Line.Now = "All that is wanted is there"
		}
	case roundOpen(c.st):
		r.State = "treated"
		r.Line.Now = "Treated since it was read"
		r.Line.Next = "Next: read it on its new surface."
	}
	if c.proof != nil {
		r.Line.Next = c.proof.said
	}
	if r.Line.Next == "" {
		r.Line.Next = "Next: see what is advised."
	}
}

// lastHow is how the last pass of a case ended; "" where there is none.
func lastHow(st imager.Status) string {
	how := ""
	for _, r := range st.Rounds {
		for _, p := range r.Passes {
			if how = p.Ended; how == "" {
				how = imager.HowKilled
			}
		}
	}
	return how
}

func passes(st imager.Status) (n int) {
	for _, r := range st.Rounds {
		n += len(r.Passes)
	}
	return n
}

// roundOpen tells whether the disc was treated since it was read.
func roundOpen(st imager.Status) bool {
	last := len(st.Rounds) - 1
	return last > 0 && len(st.Rounds[last].Passes) == 0
}

// troubleOf is an error in words; "" for one that is none: nothing was left to ask, or
// somebody stopped it.
func troubleOf(s Speech, err error) string {
	switch {
	case err == nil, errors.Is(err, context.Canceled):
		return ""
	case errors.Is(err, imager.ErrNothingToAsk), errors.Is(err, imager.ErrLittleLeft):
		return "Nothing new to ask of this surface with this drive. Treat it, or let another drive try."
	case errors.Is(err, imager.ErrNoConflict):
		return ""
	}
	return s.Trouble(err)
}

// upper is a sentence that began small.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
