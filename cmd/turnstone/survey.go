package main

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/spf13/pflag"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/imager/plan"
	"turnstone/mapfile"
)

var surveyCommand = command{
	name:    "survey",
	args:    "CASE",
	summary: "a quick look over the whole disc by samples",
	about: `
Samples the surface: single blocks, spread so that they see radius and angle evenly,
and more of them where results disagree; one in a hundred at most. What comes is in
the image. It says how much is expected to be readable, how long that takes, and where
the surface needs work. What tells where files lie is read first: see files.

With --missing only what is missing is sampled, evenly: how much of it this drive reads
that others could not. Marks that no sample has met are in no estimate.`,
	example: "turnstone survey anna-wedding --missing --drive /dev/sr1",
	setup:   setupSurvey,
}

// What a survey takes where nothing is said.
const (
	surveySamples = 1500 // blocks at most
	surveyTime    = 3 * time.Minute
	judgeSamples  = 200 // blocks at most of what is missing
	judgeTime     = time.Minute
)

func setupSurvey(f *pflag.FlagSet) action {
	o := usualReading
	missing := false
	f.StringVar(&o.drive, "drive", "", "device `NODE` or image file to sample, or a simulated drive, SCENARIO.json:NAME; where one optical drive is there, it may be left out")
	f.Var(timeValue{&o.budget}, "budget", "end after this time; 3m if not said, 1m with --missing")
	f.BoolVar(&missing, "missing", false, "sample only what is missing")
	f.StringVar(&o.by, "by", "", "`NAME` of who reads, for the record")
	f.StringVar(&o.kind, "kind", "", "`KIND` of the disc in a plain file or device: cd, dvd or bd")
	f.BoolVar(&o.sameDisc, "same-disc", false, "the disc is this case's: read no good block to be sure of it")
	f.BoolVar(&o.json, "json", false, "events as JSON lines to standard error, then the document of status --json")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		if err := checkKind(o.kind); err != nil {
			return err
		}
		o.survey, o.surveyMissing = surveySamples, missing
		if missing {
			o.survey = judgeSamples
		}
		if o.by, err = plainText("by", o.by); err != nil {
			return err
		}
		if o.budget == 0 {
			o.budget = surveyTime
			if missing {
				o.budget = judgeTime
			}
		}
		return read(dir, o, s)
	}
}

// concludeSurvey says what the samples of a pass tell.
func concludeSurvey(dir string, m *mapfile.Map, o readOptions, end imager.Ending, nothing error, s streams) error {
	if o.json {
		return printDocument(s.Out, imager.StatusIn(dir, m))
	}
	switch {
	case nothing != nil:
		tell(s.Out, "Nothing is left to sample with this drive on this surface.\n")
	case o.surveyMissing:
		tell(s.Out, "%s\n", judgement(m, end.Pass))
	}
	for _, line := range forecastInWords(m) {
		tell(s.Out, "%s\n", line)
	}
	tell(s.Out, "%s", standing(imager.StatusIn(dir, m)))
	if end.Failed() {
		return codeError(exitDrive)
	}
	return nil
}

// judgement says how much of what is missing a drive reads, by the samples of a pass.
func judgement(m *mapfile.Map, pass int) string {
	var came, asked int64
	block := max(1, m.Disc().BlockSectors)
	for r := range m.Runs(pass) {
		n := r.Range.Blocks(block).Count() / block
		asked += n
		if r.Result.Came() {
			came += n
		}
	}
	if asked == 0 {
		return "No sample was taken."
	}
	low, high := wilson(came, asked)
	p := m.Passes()[pass]
	return fmt.Sprintf("In %s: this drive reads %.0f %% (%.0f–%.0f %%) of what is missing, by %s samples.",
		lasted(p.Seconds), 100*float64(came)/float64(asked), 100*low, 100*high, sector.Thousands(asked))
}

// wilson is the interval in which a share lies with 95 % confidence, of which so many
// of all were seen (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209).
func wilson(seen, all int64) (low, high float64) {
	const z = 1.96
	n, p := float64(all), float64(seen)/float64(all)
	middle := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	return max(0, middle-half), min(1, middle+half)
}

// forecastInWords is what the model of the surface expects, in sentences; none where
// nothing can be said.
func forecastInWords(m *mapfile.Map) []string {
	f, ok := imager.ForecastOf(m)
	if !ok || f.Missing == 0 {
		return nil
	}
	var out []string
	if f.Readable < 1 {
		out = append(out, "Of what is missing next to nothing is expected from this drive on this surface.")
	} else {
		much := "nearly all"
		if n := sector.About(f.Readable); n < f.Missing {
			much = "about " + sector.Thousands(n)
		}
		text := fmt.Sprintf("Of the %s missing sectors %s are expected to come from this drive on this surface", sector.Thousands(f.Missing), much)
		text += untilInWords(f.Until)
		out = append(out, text+". Marks that were not met yet are not in that.")
	}
	return append(out, worstInWords(f.Bands)...)
}

// untilInWords is how long nine tenths of what is expected take, as a part of a sentence.
func untilInWords(w plan.Lasts) string {
	switch {
	case w.OneByOne == 0:
		return ""
	case w.OneByOne < w.Soonest*3/2:
		return fmt.Sprintf(", nine tenths of them within %s", roughly(w.OneByOne))
	}
	soonest, latest, singly := roughly(w.Soonest), roughly(w.Latest), roughly(w.OneByOne)
	switch {
	case soonest == latest && latest == singly: // too short to tell them apart
		return fmt.Sprintf(", nine tenths of them within %s", singly)
	case soonest == latest:
		latest = ""
	default:
		latest = " to " + latest
	}
	return fmt.Sprintf(", nine tenths of them within %s%s if the damage lies in marks, as it mostly does, and within %s if blocks fail one by one", soonest, latest, singly)
}

// hourInWords is what an hour more would bring, and what lies beyond it, for the end of
// a pass that left something unasked.
func hourInWords(m *mapfile.Map) []string {
	f, ok := imager.ForecastOf(m)
	if !ok || f.Missing == 0 {
		return nil
	}
	var out []string
	switch low, high := sector.About(f.HourLow), sector.About(f.HourHigh); {
	case high == 0:
		out = append(out, "An hour more with this drive is expected to bring nothing.")
	default:
		out = append(out, fmt.Sprintf("An hour more with this drive is expected to bring %s–%s sectors, by the model of the surface and by how such places fared so far; "+
			"at least %s are probably beyond this drive on this surface.",
			sector.Thousands(low), sector.Thousands(high), sector.Thousands(max(0, sector.About(float64(f.Missing)-max(f.Readable, f.HourHigh))))))
	}
	return append(out, worstInWords(f.Bands)...)
}

// worstInWords names the millimetres of radius that stand most in the way; nothing where
// none does.
func worstInWords(all []imager.ForecastBand) []string {
	worst := slices.Clone(all)
	slices.SortStableFunc(worst, func(a, b imager.ForecastBand) int {
		switch x, y := a.Stopped, b.Stopped; {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	var bands []string
	for _, b := range worst[:min(3, len(worst))] {
		if b.Stopped >= 0.02 {
			bands = append(bands, fmt.Sprintf("%.0f–%.0f mm (%.0f %% of its blocks fail)", b.FromMM, b.ToMM, 100*b.Stopped))
		}
	}
	if len(bands) == 0 {
		return nil
	}
	return []string{"The surface needs work most at " + joinWords(bands, "and") + " from the middle."}
}
