package imager

import (
	"maps"
	"slices"
	"strings"
	"unicode"

	"turnstone/device"
	"turnstone/mapfile"
)

// What another case's records tell, whoever wrote them, is taken over as text that can be
// shown, and only where it can be true.

// plain is text in which nothing is left that a terminal may obey, or that hides what
// stands beside it, and not too much of it.
func plain(text string) string {
	const most = 400 // characters
	text = strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return '?'
	}, strings.ToValidUTF8(text, "?"))
	if r := []rune(text); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return text
}

func plainOrigin(o mapfile.Origin) *mapfile.Origin {
	o.Case, o.Drive, o.Treated = plain(o.Case), plain(o.Drive), plain(o.Treated)
	return &o
}

// discTold is what a case tells of its disc.
func discTold(d mapfile.Disc) mapfile.Disc {
	if !slices.Contains([]string{"cd", "dvd", "bd"}, d.Kind) {
		d.Kind = device.Unknown
	}
	if !slices.Contains([]int64{1, 16, 32}, d.BlockSectors) { // CD, DVD, BD
		d.BlockSectors = 16
	}
	var layers int64
	for _, n := range d.Layers {
		if n <= 0 || layers > d.Sectors-n {
			d.Layers, d.Parallel = nil, false
			break
		}
		layers += n
	}
	identity := map[string]string{}
	for name, told := range maps.All(d.Identity) {
		identity[plain(name)] = plain(told)
	}
	if d.Identity != nil {
		d.Identity = identity
	}
	if d.Seen != nil {
		s := *d.Seen
		for _, text := range []*string{&s.Crack, &s.Fragile, &s.Label, &s.By, &s.Note} {
			*text = plain(*text)
		}
		d.Seen = &s
	}
	return d
}
