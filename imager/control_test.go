package imager

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// settable is a drive that takes settings, up to a read retry count.
type settable struct {
	*devicetest.Fake
	most uint8
	said []string
}

func (s *settable) Set(_ context.Context, set device.Settings) error {
	if set.Retries != nil && *set.Retries > s.most {
		return fmt.Errorf("%w: %d retries", device.ErrUnsupported, *set.Retries)
	}
	s.said = append(s.said, settingsInWords(mapfile.Settings(set)))
	return nil
}

func retries(n uint8) mapfile.Settings { return mapfile.Settings{Retries: &n} }

func TestControl(t *testing.T) {
	drive := &settable{Fake: devicetest.NewFake(64, devicetest.Options{}), most: 20}
	c := newControl(drive, mapfile.Settings{})
	for _, step := range []struct {
		want   mapfile.Settings
		forget bool
		number uint8
		said   int // times that the drive was told something so far
	}{
		{want: mapfile.Settings{}, number: 0, said: 0},
		{want: retries(0), number: 1, said: 1},
		{want: retries(0), number: 1, said: 1},
		{want: retries(16), number: 2, said: 2},
		{want: retries(0), number: 1, said: 3},
		{want: retries(0), forget: true, number: 1, said: 4},
		{want: mapfile.Settings{SpeedKBps: 2770}, number: 3, said: 5},
	} {
		if step.forget {
			c.forget()
		}
		n, err := c.use(t.Context(), step.want, false)
		if n != step.number || err != nil || len(drive.said) != step.said {
			t.Errorf("use(%v) = %d, %v after %d commands; want %d, nil after %d", step.want, n, err, len(drive.said), step.number, step.said)
		}
	}
	// A wish that the drive does not take leaves it as it is, and is not said again.
	for range 2 {
		if n, err := c.use(t.Context(), retries(21), false); err != nil || n != 3 {
			t.Errorf("use(21 retries) = %d, %v; want 3, nil", n, err)
		}
	}
}

// A wish is no less one where the user has said something else; after a stall the
// drive is told again what was in force.
func TestRefusedWish(t *testing.T) {
	drive := &settable{Fake: devicetest.NewFake(64, devicetest.Options{}), most: 20}
	c := newControl(drive, mapfile.Settings{SpeedKBps: 5540})
	if err := c.takes(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, stalled := range []bool{false, false, true} {
		if stalled {
			c.forget()
		}
		if n, err := c.use(t.Context(), retries(21), false); n != 1 || err != nil {
			t.Errorf("use(21 retries) = %d, %v; want 1, nil", n, err)
		}
	}
	if want := []string{"a speed of 5540 kB/s", "a speed of 5540 kB/s"}; !slices.Equal(drive.said, want) || len(c.all) != 2 {
		t.Errorf("the drive was told %q, by settings %v; want %q, two", drive.said, c.all, want)
	}
	c = newControl(drive, retries(21))
	if err := c.takes(t.Context()); !errors.Is(err, ErrSettings) {
		t.Errorf("takes() of what the user wants = %v; want %v", err, ErrSettings)
	}
}

// picky is a drive that refuses some read retry counts.
type picky struct {
	settable
	refuses []uint8
}

func (d *picky) Set(ctx context.Context, s device.Settings) error {
	if s.Retries != nil && slices.Contains(d.refuses, *s.Retries) {
		return fmt.Errorf("%w: %d retries", device.ErrUnsupported, *s.Retries)
	}
	return d.settable.Set(ctx, s)
}

// A drive says that it can be set to 0 to 16 retries, and refuses some of them: the
// pass goes on, and asks for a block that fails once for each count that was in force.
// So it does where the user has chosen one.
func TestPassByADriveThatRefusesRetries(t *testing.T) {
	for _, c := range []struct {
		refuses []uint8
		user    mapfile.Settings
		asks    int
	}{
		{nil, mapfile.Settings{}, 2}, {[]uint8{0}, mapfile.Settings{}, 2},
		{[]uint8{0, 3, 15}, mapfile.Settings{}, 1}, {[]uint8{0, 3, 15, 16}, mapfile.Settings{}, 1}, {nil, retries(4), 1},
	} {
		info := device.Info{Kind: "dvd", BlockSectors: 16, WholeBlocks: true, MaxSectors: 48, Retries: &device.RetryCounts{Own: 16}}
		fake := devicetest.NewFake(4096, devicetest.Options{Info: info, NamesAddress: true})
		drive := &picky{settable{Fake: fake, most: 16}, c.refuses}
		bad := sector.Span(2048, 16)
		drive.Fail(bad, device.Medium, devicetest.Always)
		box := made(t, 4096)
		end, err := box.Read(t.Context(), Reading{Reader: drive, Settings: c.user, ToTheEnd: true})
		if err != nil || end.How != HowComplete {
			t.Errorf("refusing %v: Read() = %+v, %v; want %s, nil", c.refuses, end, err, HowComplete)
		}
		if got := drive.CountOf(bad.First); got != c.asks {
			t.Errorf("refusing %v, user %v: a block that fails was asked for %d times; want %d", c.refuses, c.user, got, c.asks)
		}
	}
}

// slow is a drive that can't be told a speed.
type slow struct{ settable }

func (d *slow) Set(ctx context.Context, s device.Settings) error {
	if s.SpeedKBps != 0 {
		return fmt.Errorf("%w: a speed", device.ErrUnsupported)
	}
	return d.settable.Set(ctx, s)
}

// The cap that a fragile disc was read by holds until another is said, in whatever
// drive; one that is not fragile is read by what is said each time.
func TestCapOfAFragileDisc(t *testing.T) {
	box := made(t, 4096)
	read := func(drive device.Reader, cap int) (Ending, []mapfile.Event, error) {
		heard := &heard{}
		end, err := box.Read(t.Context(), Reading{Reader: drive, Settings: mapfile.Settings{SpeedKBps: cap}, Again: true, ToTheEnd: true, Listener: heard})
		return end, heard.events, err
	}
	fast := func() *settable {
		fake := devicetest.NewFake(4096, devicetest.Options{})
		fake.Fail(sector.Span(2048, 16), device.Medium, devicetest.Always) // something is left to ask
		return &settable{Fake: fake, most: 16}
	}
	for _, step := range []struct {
		fragile string
		cap     int
		want    int // kB/s that the drive is told; 0: nothing
		told    bool
	}{
		{"", 5540, 5540, false}, {"", 0, 0, false},
		{"yes", 0, 0, false}, {"yes", 2770, 2770, false}, {"yes", 0, 2770, true}, {"yes", 1385, 1385, false}, {"yes", 0, 1385, true},
		{"no", 0, 0, false},
	} {
		if step.fragile != "" {
			if err := box.Inspected(mapfile.Seen{Fragile: step.fragile}); err != nil {
				t.Fatal(err)
			}
		}
		drive := fast()
		_, heard, err := read(drive, step.cap)
		told := slices.ContainsFunc(heard, func(e mapfile.Event) bool { return e.Kind == KindCapped })
		want := []string{fmt.Sprintf("a speed of %d kB/s", step.want)}
		if step.want == 0 {
			want = nil
		}
		if err != nil || !slices.Equal(drive.said, want) || told != step.told {
			t.Errorf("fragile %q, cap %d: the drive was told %q, the user told %v, %v; want %q, %v", step.fragile, step.cap, drive.said, told, err, want, step.told)
		}
	}
	if err := box.Inspected(mapfile.Seen{Fragile: "yes"}); err != nil {
		t.Fatal(err)
	}
	drive := &slow{*fast()}
	if end, heard, err := read(drive, 0); err != nil || end.Pass < 0 || !slices.ContainsFunc(heard, func(e mapfile.Event) bool { return e.Kind == KindCapped }) {
		t.Errorf("a drive that can't be told the cap kept: %+v, %v, %v; want a pass, and that the user hears of it", end, heard, err)
	}
	if _, _, err := read(drive, 2770); !errors.Is(err, ErrSettings) {
		t.Errorf("a drive that can't be told the cap that is said = %v; want ErrSettings", err)
	}
}

// What the user says stands before what the plan wants; a cap is one.
func TestUsersSettingsGoFirst(t *testing.T) {
	drive := &settable{Fake: devicetest.NewFake(64, devicetest.Options{}), most: 20}
	user := retries(3)
	user.SpeedKBps = 5540
	c := newControl(drive, user)
	if err := c.takes(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, want := range []mapfile.Settings{retries(0), {SpeedKBps: 11080}, {SpeedKBps: 2770}} {
		if _, err := c.use(t.Context(), want, false); err != nil {
			t.Fatal(err)
		}
	}
	want := []string{"a read retry count of 3 and a speed of 5540 kB/s", "a read retry count of 3 and a speed of 2770 kB/s"}
	if !slices.Equal(drive.said, want) {
		t.Errorf("the drive was told %q; want %q", drive.said, want)
	}
}

// A pass keeps the settings that its runs were read by; what the drive does not take
// is said before anything is asked.
func TestSettingsAreKept(t *testing.T) {
	drive := &settable{Fake: devicetest.NewFake(1024, devicetest.Options{}), most: 20}
	drive.Fail(sector.Span(512, 16), device.Medium, devicetest.Always)
	c := made(t, 1024)
	if _, err := c.Read(t.Context(), Reading{Reader: drive, Settings: retries(21)}); !errors.Is(err, ErrSettings) {
		t.Fatalf("Read(21 retries) = %v; want %v", err, ErrSettings)
	}
	if n := len(drive.Requests()); n != 0 {
		t.Errorf("%d requests were asked; want none", n)
	}
	end, err := c.Read(t.Context(), Reading{Reader: drive, Settings: retries(5)})
	if err != nil {
		t.Fatal(err)
	}
	p := c.Map().Passes()[end.Pass]
	for r := range c.Map().Runs(end.Pass) {
		if s := p.Settings[r.Settings]; s.Retries == nil || *s.Retries != 5 {
			t.Errorf("run %v was read by settings %v; want 5 retries", r.Range, s)
		}
	}
	if want := []string{"a read retry count of 5"}; !slices.Equal(drive.said, want) {
		t.Errorf("the drive was told %q; want %q", drive.said, want)
	}
	plain := devicetest.NewFake(1024, devicetest.Options{})
	if _, err := c.Read(t.Context(), Reading{Reader: plain, Settings: retries(5), Again: true}); !errors.Is(err, ErrSettings) {
		t.Errorf("Read(a drive that takes no settings) = %v; want %v", err, ErrSettings)
	}
}

// lasting is a drive that keeps its settings, whatever happens to the program.
type lasting struct {
	settable
	now []byte
}

func (l *lasting) Set(ctx context.Context, s device.Settings) error {
	if s.Retries != nil {
		l.now = []byte{*s.Retries}
	}
	return l.settable.Set(ctx, s)
}

func (l *lasting) Original() []byte { return slices.Clone(l.now) }

func (l *lasting) Restore(_ context.Context, original []byte) error {
	l.now = slices.Clone(original)
	return nil
}

// However a pass ends, the drive has its own settings again; after a kill the next
// pass sees to it.
func TestDrivesGetTheirSettingsBack(t *testing.T) {
	drive := &lasting{now: []byte{16}, settable: settable{Fake: devicetest.NewFake(1024, devicetest.Options{}), most: 20}}
	c := made(t, 1024)
	owed := func() string { return c.Map().Drives()[0].Restore }
	if _, err := c.Read(t.Context(), Reading{Reader: drive, Settings: retries(5), Only: sector.Of(sector.Span(0, 64))}); err != nil {
		t.Fatal(err)
	}
	if drive.now[0] != 16 || owed() != "" {
		t.Errorf("after a pass the drive has %d retries, and the map owes it %q; want its own 16 and nothing", drive.now[0], owed())
	}
	// What the drive does not take is said, and nothing of it stays.
	if _, err := c.Read(t.Context(), Reading{Reader: drive, Settings: retries(21)}); !errors.Is(err, ErrSettings) {
		t.Fatal(err)
	}
	if drive.now[0] != 16 || owed() != "" {
		t.Errorf("after a refusal the drive has %d retries, and the map owes it %q; want 16 and nothing", drive.now[0], owed())
	}
	// A kill: the map has it before the drive is changed, and nobody gives it back.
	if _, err := c.lend(t.Context(), drive, drive.Info()); err != nil {
		t.Fatal(err)
	}
	if got := owed(); got != "10" {
		t.Errorf("the map owes the drive %q before it is changed; want 10, hexadecimal", got)
	}
	drive.now = []byte{3}
	if _, err := c.Read(t.Context(), Reading{Reader: drive, Only: sector.Of(sector.Span(64, 64))}); err != nil {
		t.Fatal(err)
	}
	if drive.now[0] != 16 || owed() != "" {
		t.Errorf("after the pass behind a kill the drive has %d retries, and the map owes it %q; want 16 and nothing", drive.now[0], owed())
	}
}
