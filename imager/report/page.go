package report

import (
	"html/template"
	"strings"
	"sync"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
)

// page is a report with what both pages ask of it.
type page struct{ *Report }

// Moment is a time with its zone, in full.
func (p page) Moment(t time.Time) string { return p.moment(t) }

// Minute is a time for tables.
func (p page) Minute(t time.Time) string { return p.minute(t) }

// pages are the templates of the pages, which take a millisecond to parse.
var pages = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("pages").Funcs(template.FuncMap{
		"count": sector.Thousands, "amount": amount, "data": data, "seconds": seconds, "show": shown, "kind": discKind,
		"how": howInWords, "percent": percent, "some": some,
	}).ParseFS(templates, "*.html"))
})

// discKind is a kind of disc in words.
func discKind(kind string) string {
	switch kind {
	case "cd":
		return "CD"
	case "dvd":
		return "DVD"
	case "bd":
		return "Blu-ray"
	}
	return "not known"
}

// howInWords is how a pass ended.
func howInWords(how string) string {
	switch how {
	case "":
		return "runs now, or was ended by force"
	case imager.HowComplete:
		return "asked for all that it was to ask for"
	case imager.HowLittleLeft:
		return "little was left to win"
	case imager.HowBudget:
		return "its time was used up"
	case imager.HowInterrupted:
		return "ended by hand"
	case imager.HowStalled:
		return "the drive did not answer"
	case imager.HowGone:
		return "the drive went away"
	case imager.HowOtherDisc:
		return "another disc lay in the drive"
	case imager.HowError:
		return "an error on the computer's side"
	case imager.HowKilled:
		return "ended by force"
	}
	return how
}

// upper begins a sentence with a capital letter.
func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// tail is the end of a long text: what is peculiar to a path stands there.
func tail(s string, most int) string {
	runes := []rune(s)
	if len(runes) <= most {
		return s
	}
	return "…" + string(runes[len(runes)-most+1:])
}

// head is the beginning of a long text.
func head(s string, most int) string {
	runes := []rune(s)
	if len(runes) <= most {
		return s
	}
	return string(runes[:most-1]) + "…"
}
