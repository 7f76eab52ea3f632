package report

import (
	"encoding/json"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// The documents of cases of every kind are as the schema says (JSON Schema 2020-12), by
// python3-jsonschema's reading of both.
func TestDocumentIsAsTheSchemaSays(t *testing.T) {
	if err := exec.Command("python3", "-c", "import jsonschema").Run(); err != nil {
		tool(t, "jsonschema, or python3 itself", "python3-jsonschema")
	}
	schema, err := filepath.Abs("report.schema.json")
	must(t, err)
	at := t.TempDir()
	var names []string
	add := func(name string, r *Report) {
		path := filepath.Join(at, name+".json")
		f, err := os.Create(path)
		must(t, err)
		must(t, r.JSON(f))
		must(t, f.Close())
		names = append(names, path)
	}
	add("new", reportOf(t, caseOf(t, nil, mapfile.Disc{}, nil), nil))
	add("whole", reportOf(t, albumCase(t, nil, nil, nil), nil))
	full, err := Of(fullSource(t))
	must(t, err)
	add("full", full)
	retries := uint8(3)
	dir := albumCase(t, []sector.Range{sector.Span(30, 4)}, []sector.Range{sector.Span(90, 1)}, func(m *mapfile.Map) {
		pass(t, m, mapfile.Pass{Drive: -1, Origin: &mapfile.Origin{Case: "OTHER"}})
		n := pass(t, m, mapfile.Pass{Settings: []mapfile.Settings{{}, {Retries: &retries, SpeedKBps: 1385}}})
		_, err := m.Record(n, mapfile.Run{Range: sector.Span(30, 2), Result: mapfile.Stalled, Attempts: 2, Settings: 1}, nil)
		must(t, err)
		_, err = m.AddPass(mapfile.Pass{Started: day}) // killed
		must(t, err)
		must(t, m.SetWanted(mapfile.Wanted{Names: []string{"a.vob"}, Sectors: sector.Of(sector.Span(24, 100))}))
		m.AddEvent(mapfile.Event{Time: day, Pass: 0, Kind: imager.KindFailedRead, Range: sector.Span(30, 4), Text: "read 30+4 of X: medium error"})
	})
	add("odd", reportOf(t, dir, nil))
	if _, err := imager.Discard(dir, imager.Writer{Now: func() time.Time { return day }}, "Kim"); err != nil {
		t.Fatal(err)
	}
	add("discarded", reportOf(t, dir, nil))
	const check = `
import json, sys, jsonschema
schema = json.load(open(sys.argv[1]))
jsonschema.Draft202012Validator.check_schema(schema)
v = jsonschema.Draft202012Validator(schema)
bad = 0
for path in sys.argv[2:]:
    for e in v.iter_errors(json.load(open(path))):
        bad += 1
        print(path, list(e.absolute_path), e.message[:200])
sys.exit(bad > 0)
`
	out, err := exec.Command("python3", append([]string{"-c", check, schema}, names...)...).CombinedOutput()
	if err != nil {
		t.Errorf("%v: %s", err, out)
	}
}

// The document says the same as the map, sector by sector: what it lists as missing is
// what the case lacks.
func TestDocumentListsWhatIsMissing(t *testing.T) {
	m := someCase(t, rand.New(rand.NewPCG(9, 9)), 400)
	dir := t.TempDir()
	must(t, mapfile.Create(filepath.Join(dir, "map.db"), m))
	must(t, os.WriteFile(filepath.Join(dir, "image.iso"), make([]byte, 400*sector.Size), 0o600))
	var b strings.Builder
	must(t, reportOf(t, dir, nil).JSON(&b))
	var doc struct {
		Missing []struct {
			Sectors sector.Range
			State   string
		}
		Standing map[string]int64
	}
	must(t, json.Unmarshal([]byte(b.String()), &doc))
	var set sector.Set
	by := map[string]int64{}
	for _, h := range doc.Missing {
		set.Add(h.Sectors)
		by[h.State] += h.Sectors.Count()
	}
	if want := missingOf(m); !set.Equal(&want) {
		t.Errorf("missing = %v; want %v", set, want)
	}
	s := doc.Standing
	if by[CouldNot] != s["could_not_be_read"] || by[NotSince] != s["not_tried_since_treatment"] || by[NotAsked] != s["never_asked"] {
		t.Errorf("missing by state = %v; standing %v", by, s)
	}
}
