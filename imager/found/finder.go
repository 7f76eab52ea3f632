package found

import (
	"bytes"
	"cmp"
	"slices"
	"sort"

	"turnstone/device/sector"
	"turnstone/imager/video"
)

// Kind is what was found.
type Kind uint8

const (
	Take    Kind   = iota // a program stream whose clock runs on: a recording, as a rule
	VOBS                  // the video objects of a DVD-Video's menus or titles
	Info                  // an IFO file of a DVD-Video, or its backup
	JPEG                  // a photo
	RIFF                  // AVI, WAV
	MP4                   // MP4, QuickTime
	PDF                   // a document
	started = JPEG        // the first that is known by how it begins
)

// Find is something that was found. It lies in one piece.
type Find struct {
	Kind Kind
	At   sector.Range
	Size int64 // bytes from the first of At on
	Head video.InfoHead
	// Backup tells that an Info is a backup, by where it lies.
	Backup bool
	// Menus tells that a VOBS is the menus' of a set, Set where the IFO file of a VOBS'
	// set lies, missing or not; none where nothing tells.
	Menus bool
	Set   *sector.Range
	// Joined is how many sectors are missing over which nothing but the clock says that
	// a take goes on.
	Joined int64
	Ext    string // of its name
}

// Finder takes in the sectors of a disc that no directory tells of.
type Finder struct {
	takes  []take
	open   bool // the last take may go on
	groups map[sector.LBA]*group
	infos  []Find
	starts []start
	// More is how many well-known starts there are beyond mostStarts.
	More int
}

// take is a stretch of packs whose clock runs on.
type take struct {
	first, end sector.LBA
	last       video.Pack // that begins at end-1
	joined     int64
	packs      int64
}

// group is a VOBS by its navigation packs.
type group struct {
	end   sector.LBA // behind the last sector that a pack tells of
	packs int
}

// start is a sector that begins as a file does.
type start struct {
	at   sector.LBA
	kind Kind
}

// Bounds of what is kept.
const (
	mostStarts = 200_000
	mostGroups = 10_000
	mostTakes  = 200_000
	mostInfos  = 1000
	mostUnit   = 16 << 10 // sectors that a navigation pack may say its unit has: half a minute at the highest rate
)

// New is a finder.
func New() *Finder { return &Finder{groups: map[sector.LBA]*group{}} }

// Skip says that what lies between the sectors taken so far and the next ones is known
// to be something else, or that the disc was changed there: nothing goes on over it.
func (f *Finder) Skip() { f.open = false }

var packCode = []byte{0, 0, 1, 0xBA}

// Take takes the next sectors in: neighbours, all of them there, behind those before.
// Where sectors are left out between two calls they are missing, if Skip does not say
// otherwise.
func (f *Finder) Take(a sector.LBA, data []byte) {
	for ; len(data) >= sector.Size; a, data = a+1, data[sector.Size:] {
		b := data[:sector.Size]
		if bytes.HasPrefix(b, packCode) {
			if p, ok := video.ParsePack(b); ok {
				f.pack(a, p, b)
				continue
			}
		}
		f.open = false
		if h := video.ParseInfoHead(b); h.Kind != video.NoInfo && len(f.infos) < mostInfos {
			f.infos = append(f.infos, Find{Kind: Info, Head: h, Size: h.Size * sector.Size, At: sector.Span(a, h.Size)})
			continue
		}
		if kind, ok := startOf(b); ok {
			if len(f.starts) < mostStarts {
				f.starts = append(f.starts, start{a, kind})
			} else {
				f.More++
			}
		}
	}
}

// pack takes in a sector that begins with a pack.
func (f *Finder) pack(a sector.LBA, p video.Pack, b []byte) {
	if n := len(f.takes); f.open && !video.Broken(f.takes[n-1].last, p, (a-f.takes[n-1].end+1).Offset()) {
		t := &f.takes[n-1]
		t.joined += int64(a - t.end)
		t.end, t.last, t.packs = a+1, p, t.packs+1
	} else if n < mostTakes {
		f.takes, f.open = append(f.takes, take{first: a, end: a + 1, last: p, packs: 1}), true
	}
	n, ok := video.ParseNAV(b)
	if !ok || sector.LBA(n.Sector) > a {
		return
	}
	base := a - sector.LBA(n.Sector)
	g := f.groups[base]
	if g == nil {
		if len(f.groups) >= mostGroups {
			return
		}
		g = &group{}
		f.groups[base] = g
	}
	if n.Last > mostUnit {
		n.Last = 0
	}
	g.end, g.packs = max(g.end, a+sector.LBA(n.Last)+1), g.packs+1
}

// startOf tells what a sector begins with, of the files that are looked for.
func startOf(b []byte) (Kind, bool) {
	switch {
	case b[0] == 0xFF && b[1] == 0xD8 && b[2] == 0xFF && b[3] >= 0xC0:
		return JPEG, true
	case bytes.HasPrefix(b, []byte("RIFF")) && (string(b[8:12]) == "AVI " || string(b[8:12]) == "WAVE"):
		return RIFF, true
	case string(b[4:8]) == "ftyp" || string(b[4:8]) == "moov" || string(b[4:8]) == "mdat" && b[0] == 0:
		return MP4, true
	case bytes.HasPrefix(b, []byte("%PDF-1.")) || bytes.HasPrefix(b, []byte("%PDF-2.")):
		return PDF, true
	}
	return 0, false
}

// Streams is the films that were found on a disc of so many sectors, in order of
// address, with the IFO files that tell of them.
func (f *Finder) Streams(sectors int64) []Find {
	disc := sector.LBA(sectors)
	all := f.pairInfos(disc)
	var vobs []Find
	for base, g := range f.groups {
		// One pack alone may be anything, were it not where an IFO file says.
		if set, menus, end := setOf(all, base); set != nil {
			vobs = append(vobs, Find{Kind: VOBS, At: sector.Range{First: base, End: max(min(end, disc), base)}, Set: set, Menus: menus})
		} else if g.packs > 1 {
			vobs = append(vobs, Find{Kind: VOBS, At: sector.Range{First: base, End: min(g.end, disc)}})
		}
	}
	slices.SortFunc(vobs, func(a, b Find) int { return cmp.Compare(a.At.First, b.At.First) })
	vobs = apart(vobs)
	for _, t := range f.takes {
		at := sector.Range{First: t.first, End: t.end}
		// They are sorted and apart: the last that begins before the take's end.
		i := sort.Search(len(vobs), func(i int) bool { return vobs[i].At.First >= at.End }) - 1
		if i >= 0 && vobs[i].At.Overlaps(at) {
			// Its packs go on behind the last navigation pack that is there.
			if v := &vobs[i]; v.Set == nil && at.End > v.At.End && at.First >= v.At.First &&
				(i+1 == len(vobs) || at.End <= vobs[i+1].At.First) {
				v.At.End = at.End
			}
			continue
		}
		all = append(all, Find{Kind: Take, At: at, Joined: t.joined, Ext: "mpg"})
	}
	for _, v := range vobs {
		v.Ext = "vob"
		if !v.At.Empty() {
			all = append(all, v)
		}
	}
	for i := range all {
		if all[i].Kind != Info {
			all[i].Size = all[i].At.Bytes()
		}
	}
	slices.SortStableFunc(all, func(a, b Find) int { return cmp.Compare(a.At.First, b.At.First) })
	return all
}

// apart drops VOBS that lie over one with more packs before them: strays.
func apart(vobs []Find) (kept []Find) {
	for _, v := range vobs {
		if n := len(kept); n > 0 && kept[n-1].At.Overlaps(v.At) {
			last := &kept[n-1]
			switch {
			case v.Set != nil && last.Set == nil:
				last.At.End = v.At.First
			case v.Set == nil && last.Set != nil:
				continue
			default: // the unit of the last pack of the one before reaches too far
				last.At.End = v.At.First
			}
		}
		kept = append(kept, v)
	}
	return kept
}

// pairInfos tells files from their backups.
func (f *Finder) pairInfos(disc sector.LBA) []Find {
	var all []Find
	for _, x := range f.infos {
		h := x.Head
		between := sector.LBA(h.Total - h.Size) // from a file to its backup
		if between <= 0 {
			continue
		}
		for _, o := range f.infos {
			if o.Head == h && o.At.First == x.At.First-between {
				x.Backup = true
			}
		}
		// Alone, it is the backup if only so its VOBS begins where one does.
		if !x.Backup && !f.begins(x.At.First, h) && x.At.First >= between && f.begins(x.At.First-between, h) {
			x.Backup = true
		}
		x.Ext = "ifo"
		if x.Backup {
			x.Ext = "bup"
		}
		if x.At.End <= disc {
			all = append(all, x)
		}
	}
	return all
}

// begins tells whether a VOBS begins where a file at a would have one.
func (f *Finder) begins(a sector.LBA, h video.InfoHead) bool {
	for _, at := range []int64{h.Menus, h.Films} {
		if at > 0 && f.groups[a+sector.LBA(at)] != nil {
			return true
		}
	}
	return false
}

// setOf is the set whose menus or titles have their VOBS at a place, where its IFO file
// lies, and where the VOBS ends.
func setOf(infos []Find, base sector.LBA) (ifo *sector.Range, menus bool, end sector.LBA) {
	for _, x := range infos {
		h, at := x.Head, x.At.First
		if x.Backup {
			at -= sector.LBA(h.Total - h.Size)
		}
		file, backup := sector.Span(at, h.Size), at+sector.LBA(h.Total-h.Size)
		switch {
		case h.Films > 0 && base == at+sector.LBA(h.Films):
			return &file, false, backup
		case h.Menus > 0 && base == at+sector.LBA(h.Menus):
			if h.Films > h.Menus {
				backup = at + sector.LBA(h.Films)
			}
			return &file, true, backup
		}
	}
	return nil, false, 0
}
