package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"

	"turnstone/mapfile"
)

// Elements for one page are well-formed, say in words what they show, and share no
// names.
func TestInline(t *testing.T) {
	for name, p := range cases(t) {
		var page bytes.Buffer
		page.WriteString("<body>")
		sheets := append(p.Sheets(), p.Bare()...)
		for _, k := range p.Keys() {
			sheets = append(sheets, k.Swatch)
		}
		for i, s := range sheets {
			if err := s.Inline(&page, fmt.Sprintf("p%d-", i)); err != nil {
				t.Fatal(err)
			}
		}
		page.WriteString("</body>")
		ids := map[string]bool{}
		for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllSubmatch(page.Bytes(), -1) {
			if ids[string(m[1])] {
				t.Errorf("%s: the name %s comes twice on the page", name, m[1])
			}
			ids[string(m[1])] = true
		}
		for _, m := range regexp.MustCompile(`url\(#([^)]*)\)`).FindAllSubmatch(page.Bytes(), -1) {
			if !ids[string(m[1])] {
				t.Errorf("%s: %s is filled with, and not there", name, m[1])
			}
		}
		drawings, titles := 0, 0
		d := xml.NewDecoder(&page)
		for {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: not well-formed: %v", name, err)
			}
			if e, ok := token.(xml.StartElement); ok {
				switch e.Name.Local {
				case "svg":
					drawings++
				case "title":
					titles++
				}
			}
		}
		if drawings != len(sheets) || titles != drawings {
			t.Errorf("%s: %d drawings, %d titles; want %d of each", name, drawings, titles, len(sheets))
		}
	}
}

// The keys are the picture's sectors, each once.
func TestKeys(t *testing.T) {
	m := simulated(t, 160000, 1)
	for _, round := range []int{0, 1, Latest} {
		p := picture(t, m, Disc{Layers: Layers(track(t, 160000), 0)}, View{Round: round, Layer: AllLayers})
		sum, missing := int64(0), int64(0)
		for _, k := range p.Keys() {
			if k.Sectors <= 0 || k.Words == "" || k.Here && !k.Asked || k.Asked && !k.Missing {
				t.Errorf("round %d: key %+v; want sectors, and a state that can be", round, k)
			}
			if !k.Missing && !strings.Contains(k.Words, fmt.Sprintf("round %d", k.First)) {
				t.Errorf("round %d: won by rounds %d to %d, in words %q", round, k.First, k.Last, k.Words)
			}
			sum += k.Sectors
			if k.Missing {
				missing += k.Sectors
			}
		}
		if sum != 160000 {
			t.Errorf("round %d: the keys count %d sectors; want 160000", round, sum)
		}
		if round == Latest && missing != 160000-m.Count(mapfile.Good) {
			t.Errorf("the keys count %d missing; want %d", missing, 160000-m.Count(mapfile.Good))
		}
	}
}
