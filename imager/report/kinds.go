package report

import (
	"regexp"
	"strings"

	"turnstone/device"
)

// What failed reads say is what device.ReadError says: "read 100+16 of NAME: CLASS at
// sector 105 3/11/05: text". What came back is that without drive and place.

var (
	classes  = strings.Join([]string{device.Medium.String(), device.Doubtful.String(), device.Track.String(), device.Stalled.String(), device.Gone.String(), device.Changed.String(), device.Refused.String()}, "|")
	cameBack = regexp.MustCompile(`: (` + classes + `)( at sector \d+)?(.*)$`)
)

// mostOfKind is how many letters are told of what came back.
const mostOfKind = 120

// whatCameBack is the kind of error that an event of a failed read tells of.
func whatCameBack(text string) string {
	if text == "" {
		return "not said"
	}
	what := text
	if m := cameBack.FindStringSubmatch(text); m != nil {
		what = m[1] + m[3]
	}
	if runes := []rune(what); len(runes) > mostOfKind {
		what = string(runes[:mostOfKind]) + "…"
	}
	return what
}
