package imager

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// station is a case on a cutDisk that was read by a drive of its own.
type station struct {
	*cutDisk
	c *Case
}

// newStation reads a disc, of which some sectors fail, into a new case. Where odd
// is not nil, the sectors of odd come with other bytes: as a drive gives them that
// corrected them wrongly.
func newStation(t *testing.T, id string, sectors int64, missing []sector.Range, odd []sector.LBA) *station {
	t.Helper()
	content := func(a sector.LBA, buf []byte) {
		devicetest.Pattern(a, buf)
		for _, o := range odd {
			if a == o {
				copy(buf[8:], "other bytes of "+id)
			}
		}
	}
	drive := devicetest.NewFake(sectors, devicetest.Options{Content: content, NamesAddress: true,
		Info: device.Info{Node: "/dev/" + id}})
	for _, r := range missing {
		drive.Fail(r, device.Medium, devicetest.Always)
	}
	d := newCutCase(t, id, sectors, 1)
	d.content = nil
	s := &station{d, d.open(drive.Now)}
	if _, err := s.c.Read(t.Context(), reading(drive)); err != nil {
		t.Fatal(err)
	}
	return s
}

// duplicate is another disk with all that is on the station's, and its own chance.
func (s *station) duplicate(t *testing.T, seed uint64) *station {
	t.Helper()
	d := &cutDisk{
		t: t, mapPath: filepath.Join(quickDir(t), mapName), failAt: -1,
		image: bytes.Clone(s.image), synced: bytes.Clone(s.image), dirty: map[sector.LBA]bool{},
		rnd: rand.New(rand.NewPCG(seed, 1)), lastGood: s.lastGood.Clone(),
	}
	for at, p := range s.kept.now {
		d.kept.put(at.pass, p, at.at)
	}
	d.kept.sync()
	data, err := os.ReadFile(s.mapPath)
	if err == nil {
		err = os.WriteFile(d.mapPath, data, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	return &station{d, d.open(s.c.now)}
}

// source is the station's case as it is on its disk.
func (s *station) source(t *testing.T) *Source {
	t.Helper()
	m, err := mapfile.Open(s.mapPath)
	if err != nil {
		t.Fatal(err)
	}
	return &Source{Name: m.CaseID(), id: m.CaseID(), disc: m.Disc(), m: m,
		from: plainSupply{bytes.NewReader(s.image), s.readKept}}
}

// merging is the merge that the tests run: small checkpoints.
func merging(sources ...*Source) Merging {
	return Merging{Sources: sources, CheckpointBytes: 64 * sector.Size, CheckpointTime: time.Hour}
}

// merge merges the other stations into s and proves what every case must be.
func (s *station) merge(t *testing.T, others ...*station) Merged {
	t.Helper()
	var sources []*Source
	for _, o := range others {
		sources = append(sources, o.source(t))
	}
	return s.take(t, sources...)
}

// take merges sources into s and proves what every case must be.
func (s *station) take(t *testing.T, sources ...*Source) Merged {
	t.Helper()
	res, err := s.c.Merge(t.Context(), merging(sources...))
	if err != nil || res.How != HowComplete {
		t.Fatalf("Merge() = %+v, %v; want complete, nil", res, err)
	}
	s.close(s.c)
	return res
}

// told is what a case tells, for comparing: states, and sectors in conflict.
func told(m *mapfile.Map) string {
	set := m.InConflict()
	return fmt.Sprintf("%s conflicts %v", states(m), set)
}

func span(first sector.LBA, n int64) sector.Range { return sector.Span(first, n) }

// A merge takes what is missing, with its provenance, keeps what is good, and
// keeps the other side of what differs.
func TestMergeTakesWhatIsMissing(t *testing.T) {
	const n = 1024
	a := newStation(t, "a", n, []sector.Range{span(512, 512)}, nil)
	b := newStation(t, "b", n, []sector.Range{span(0, 100), span(900, 10)}, []sector.LBA{200, 201, 700})
	h := &heard{}
	g := merging(b.source(t))
	g.Listener = h
	res, err := a.c.Merge(t.Context(), g)
	if err != nil {
		t.Fatal(err)
	}
	a.close(a.c)
	from := res.From[0]
	if from.Won != 512-10 || from.Conflicts != 2 || !from.Lost.Empty() || len(from.Passes) != 1 {
		t.Errorf("Merge() = %+v; want 502 won, 2 conflicts in 1 pass", from)
	}
	m := a.c.m
	if good, bad := m.Count(mapfile.Good), m.Count(mapfile.Bad); good != n-10 || bad != 10 {
		t.Errorf("good, bad = %d, %d; want %d, 10", good, bad, n-10)
	}
	p := m.Passes()[1]
	if p.Drive != -1 || p.How != HowComplete || p.Origin == nil ||
		*p.Origin != (mapfile.Origin{Case: "b", Pass: 0, Round: 0, Drive: "/dev/b"}) {
		t.Errorf("the pass is %+v, origin %+v; want complete, by no drive, from pass 0 of b", p, p.Origin)
	}
	for r := range m.Runs(1) {
		if r.Result != mapfile.Merged {
			t.Errorf("run %+v; want merged", r)
		}
	}
	all := m.Conflicts()
	if len(all) != 2 || all[0].At != 200 || all[1].At != 201 || all[0].KeptPass != 0 || all[0].OtherPass != 1 {
		t.Errorf("Conflicts() = %+v; want 200 and 201, pass 0 kept, pass 1 the other", all)
	}
	want := make([]byte, sector.Size)
	devicetest.Pattern(200, want)
	if !bytes.Equal(a.image[sector.LBA(200).Offset():][:sector.Size], want) {
		t.Error("sector 200 of the image was changed")
	}
	if got := h.count(KindConflict); got != 1 {
		t.Errorf("%d events of conflicts; want 1 for both sectors", got)
	}
	if len(h.progress) == 0 || h.progress[len(h.progress)-1].Left != 0 {
		t.Errorf("%d progresses; want some, the last with nothing left", len(h.progress))
	}
	// Once more: nothing new, no pass.
	res = a.merge(t, b)
	if from := res.From[0]; from.Won+from.Conflicts != 0 || len(from.Passes) != 0 || len(a.c.m.Passes()) != 2 {
		t.Errorf("merging again = %+v; want nothing", from)
	}
}

// A pass that was itself merged keeps its first origin, and the other side of a
// source's own conflict comes along.
func TestMergeOfMerged(t *testing.T) {
	const n = 1024
	a := newStation(t, "a", n, []sector.Range{span(0, 700)}, nil)
	b := newStation(t, "b", n, []sector.Range{span(0, 400)}, nil)
	c := newStation(t, "c", n, nil, []sector.LBA{500})
	b.merge(t, c)
	res := a.merge(t, b)
	if from := res.From[0]; from.Won != 700 || from.Conflicts != 1 || len(from.Passes) != 2 {
		t.Errorf("Merge() = %+v; want 700 won, 1 conflict, in 2 passes", from)
	}
	if o := a.c.m.Passes()[2].Origin; o == nil || o.Case != "c" || o.Pass != 0 || o.Drive != "/dev/c" {
		t.Errorf("origin %+v; want pass 0 of c", o)
	}
	all := a.c.m.Conflicts()
	if len(all) != 1 || all[0].At != 500 || all[0].OtherPass != 2 || all[0].KeptPass != 1 {
		t.Errorf("Conflicts() = %+v; want one at 500, of the passes from b and c", all)
	}
	if p := a.c.m.Passes()[2]; p.How != HowComplete {
		t.Errorf("the pass taken up again ended %q; want %s", p.How, HowComplete)
	}
}

// What is rotten at the source, or can't be read there, is not taken.
func TestMergeSkipsWhatIsLost(t *testing.T) {
	const n = 600
	a := newStation(t, "a", n, []sector.Range{span(0, 600)}, nil)
	b := newStation(t, "b", n, nil, nil)
	b.image[sector.LBA(77).Offset()] ^= 1
	s := b.source(t)
	s.from = plainSupply{image: broken{bytes.NewReader(b.image), 300}}
	h := &heard{}
	g := merging(s)
	g.Listener = h
	res, err := a.c.Merge(t.Context(), g)
	if err != nil {
		t.Fatal(err)
	}
	a.close(a.c)
	want := sector.Of(span(77, 1), span(300, 1))
	if from := res.From[0]; !from.Lost.Equal(&want) || from.Won != n-2 {
		t.Errorf("Merge() = %+v; want %v lost, the rest won", from, want)
	}
	if h.count(KindLost) != 2 {
		t.Errorf("events %v; want 2 of lost sectors", h.events)
	}
	// All that is left is lost: no pass.
	g.Sources = []*Source{s}
	res, err = a.c.Merge(t.Context(), g)
	if from := res.From[0]; err != nil || len(from.Passes) != 0 || !from.Lost.Equal(&want) {
		t.Errorf("merging again = %+v, %v; want no pass, the same lost", from, err)
	}
}

// broken is an image with a sector that can't be read.
type broken struct {
	*bytes.Reader
	at sector.LBA
}

func (b broken) ReadAt(p []byte, off int64) (int, error) {
	if at := b.at.Offset(); off <= at && at < off+int64(len(p)) {
		return 0, errors.New("input/output error")
	}
	return b.Reader.ReadAt(p, off)
}

// A raw image with its good ranges: no checksums, so all that is good on both
// sides is compared.
func TestMergeOfImage(t *testing.T) {
	const n = 1024
	a := newStation(t, "a", n, []sector.Range{span(100, 500)}, nil)
	image := devicetest.Image(devicetest.Pattern, n)
	copy(image[sector.LBA(50).Offset():], "another")
	source := func() *Source {
		return &Source{Name: "x.img", id: "/tmp/x.img", good: sector.Of(span(0, 300), span(550, 474)),
			disc: mapfile.Disc{Kind: "unknown", Sectors: n}, from: plainSupply{image: bytes.NewReader(image)}}
	}
	for again := range 2 {
		res, err := a.c.Merge(t.Context(), merging(source()))
		if err != nil {
			t.Fatal(err)
		}
		a.close(a.c)
		from := res.From[0]
		if again == 0 && (from.Won != 250 || from.Conflicts != 1) || again == 1 && len(from.Passes) != 0 {
			t.Errorf("Merge() number %d = %+v; want 250 won and 1 conflict, then nothing", again, from)
		}
	}
	if o := a.c.m.Passes()[1].Origin; *o != (mapfile.Origin{Case: "/tmp/x.img"}) || OriginName(*o) != "image /tmp/x.img" {
		t.Errorf("origin %+v, %q; want the image's path", o, OriginName(*o))
	}
}

// Another disc is refused before anything is written, also among the sources.
func TestMergeRefusesAnotherDisc(t *testing.T) {
	const n = 1024
	a := newStation(t, "a", n, []sector.Range{span(700, 324)}, nil)
	var odd []sector.LBA
	for i := range sector.LBA(8) {
		odd = append(odd, 10*i)
	}
	eight := newStation(t, "eight", n, nil, odd)     // 8 of 700: 1.14 %
	seven := newStation(t, "seven", n, nil, odd[:7]) // 7 of 700: exactly 1 %
	few := newStation(t, "few", n, []sector.Range{span(63, n-63)}, odd[:5])
	longer := newStation(t, "longer", n+16, nil, nil)
	blank := newStation(t, "blank", n, []sector.Range{span(0, n)}, nil)
	dvd := seven.source(t)
	dvd.disc.Kind = "dvd"
	cd := few.source(t)
	cd.disc.Kind = "cd"
	image := &Source{Name: "image", good: sector.Of(span(0, n)), disc: mapfile.Disc{Sectors: n}, from: plainSupply{image: bytes.NewReader(eight.image)}}
	beyond := &Source{Name: "beyond", good: sector.Of(span(0, n+1)), disc: mapfile.Disc{Sectors: n + 1}, from: plainSupply{image: bytes.NewReader(longer.image)}}
	for _, test := range []struct {
		name    string
		sources []*Source
		want    error // nil: taken
	}{
		{"1.14 % differ", []*Source{eight.source(t)}, ErrOtherDisc},
		{"1.14 % differ in an image", []*Source{image}, ErrOtherDisc},
		{"another size", []*Source{longer.source(t)}, ErrOtherDisc},
		{"another kind than another source", []*Source{dvd, cd}, ErrOtherDisc},
		{"the second source is another disc", []*Source{few.source(t), eight.source(t)}, ErrOtherDisc},
		{"an image beyond the disc", []*Source{beyond}, ErrRange},
		{"a disc that was never recognised", []*Source{{Name: "none", m: mapfile.New("none")}}, nil},
		{"1 % differ", []*Source{seven.source(t)}, nil},
		{"5 of 63 differ", []*Source{few.source(t)}, nil},
		{"nothing good in common", []*Source{blank.source(t)}, nil},
	} {
		before := bytes.Clone(a.image)
		steps, passes := a.step, len(a.c.m.Passes())
		_, err := a.c.Merge(t.Context(), merging(test.sources...))
		var refused *RefusedError
		switch {
		case test.name == "a disc that was never recognised":
			if !errors.As(err, &refused) {
				t.Errorf("%s: Merge() = %v; want a refusal", test.name, err)
			}
		case test.want == nil:
			if err != nil {
				t.Errorf("%s: Merge() = %v; want nil", test.name, err)
			}
			continue
		case !errors.Is(err, test.want) || !errors.As(err, &refused):
			t.Errorf("%s: Merge() = %v; want a refusal: %v", test.name, err, test.want)
		}
		if a.step != steps || len(a.c.m.Passes()) != passes || !bytes.Equal(before, a.image) {
			t.Errorf("%s: %d steps on the disk; want none", test.name, a.step-steps)
		}
	}
}

// A sector of which a source brings two readings is one sector; a kind that only
// the source knows is learned; and a merge that fails where sectors are in conflict
// says that too.
func TestMergeBesideConflicts(t *testing.T) {
	const n = 1024
	a := newStation(t, "a", n, []sector.Range{span(0, 100)}, nil)
	b := newStation(t, "b", n, []sector.Range{span(900, 100)}, []sector.LBA{300})
	third := newStation(t, "third", n, nil, []sector.LBA{300})
	b.merge(t, third)
	src := b.source(t)
	src.disc.Kind, src.disc.BlockSectors = "bd", 32
	res, err := a.c.Merge(t.Context(), merging(src))
	if err != nil {
		t.Fatal(err)
	}
	a.close(a.c)
	if from := res.From[0]; from.Conflicts != 1 || len(a.c.m.Conflicts()) != 2 {
		t.Errorf("Merge() = %+v, %d conflicts; want 1 sector with 2 other sides", from, len(a.c.m.Conflicts()))
	}
	if d := a.c.m.Disc(); d.Kind != "bd" || d.BlockSectors != 32 {
		t.Errorf("disc = %q in blocks of %d; want what the source knows: bd, 32", d.Kind, d.BlockSectors)
	}
	var won []int64
	for _, p := range StatusOf(a.c.m).Rounds[0].Passes {
		won = append(won, p.Conflicts)
	}
	if got := fmt.Sprint(won); got != "[0 1 1]" {
		t.Errorf("conflicts by pass = %s; want [0 1 1]", got)
	}
	// Each time a further side of sector 300; the disk fails at the first step of
	// the pass, at the second and so on.
	failed := 0
	for step := 0; ; step++ {
		data := make([]byte, n*sector.Size)
		data[sector.LBA(300).Offset()] = byte(step + 1)
		image := &Source{Name: "i", id: "/i", good: sector.Of(span(300, 1)), disc: mapfile.Disc{Sectors: n}, from: plainSupply{image: bytes.NewReader(data)}}
		a.step, a.failAt = 0, step
		_, err := a.c.Merge(t.Context(), merging(image))
		if err == nil && a.step <= step {
			break
		}
		failed++
		if !errors.Is(err, errStep) || !errors.Is(err, ErrConflict) {
			t.Errorf("step %d: Merge() = %v; want the injected error, and an ErrConflict beside it", step, err)
		}
	}
	if failed < 4 {
		t.Errorf("a merge of %d steps; want 4 or more", failed)
	}
	a.step, a.failAt = 0, 0
	if _, err := a.c.SettleFor(1, false); !errors.Is(err, errStep) || !errors.Is(err, ErrConflict) {
		t.Errorf("SettleFor() on a failing disk = %v; want its error, and an ErrConflict beside it", err)
	}
}

// Sectors of an image that can't be read tell nothing; the others are taken.
func TestMergeOfFailingImage(t *testing.T) {
	const n = 1024
	a := newStation(t, "a", n, []sector.Range{span(500, 100)}, nil)
	image := devicetest.Image(devicetest.Pattern, n)
	for _, bad := range []sector.LBA{300, 550} { // good here, missing here
		s := &Source{Name: "i", id: "/i", good: sector.Of(span(0, n)), disc: mapfile.Disc{Sectors: n},
			from: plainSupply{image: broken{bytes.NewReader(image), bad}}}
		res, err := a.c.Merge(t.Context(), merging(s))
		if err != nil || bad == 300 && (res.From[0].Won != 100 || !res.From[0].Lost.Empty()) {
			t.Errorf("Merge(sector %d can't be read) = %+v, %v; want 100 won", bad, res, err)
		}
		a.close(a.c)
	}
}

// The first sources' disagreement shows only between them where the case has
// nothing yet.
func TestSourcesMustBeOneDisc(t *testing.T) {
	odd := make([]sector.LBA, 100)
	for i := range odd {
		odd[i] = sector.LBA(i)
	}
	x, y := newStation(t, "x", 512, nil, nil), newStation(t, "y", 512, nil, odd)
	if err := CheckSources([]*Source{x.source(t), y.source(t)}); !errors.Is(err, ErrOtherDisc) {
		t.Errorf("CheckSources() = %v; want ErrOtherDisc", err)
	}
}
