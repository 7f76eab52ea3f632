package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"

	"turnstone/imager"
	vt "turnstone/imager/volume/volumetest"
	"turnstone/mapfile"
)

// Two discs in two drives are read at once, seen on one page; and where a case is read
// by one drive, the other waits until it may.
func TestTwoJobsOnThePage(t *testing.T) {
	t.Parallel()
	jobs, a, b := demoBench(t)
	s := serve(t, jobs, "--drive", a, "--drive", b, "--pace", "15")
	w := openBrowser(t, 1280, 900)
	w.open(s.url)
	w.shows("main", "Hold it against the light first")
	start := func(drive string) {
		t.Helper()
		button := `[...document.querySelectorAll('#drives li')].find((e) => e.innerText.includes(` + quoted(drive) + `))?.querySelector('button')`
		w.await(button)
		w.is(button + `.click(), true`)
		w.shows("#part-act", "Stop")
		w.press("All jobs")
	}
	start("drive A")
	start("drive B")
	w.await(`[...document.querySelectorAll('#drives li')].filter((e) => e.innerText.includes('It reads.')).length === 2`)
	w.await(`[...document.querySelectorAll('#jobs li')].filter((e) => /Reading|Trying|looks at/.test(e.innerText)).length === 2`)
	w.shot("two-at-once")
	for _, dir := range []string{"job-1", "job-2"} {
		if user, err := imager.UserOf(filepath.Join(jobs, dir)); err != nil || user == nil || user.PID != s.cmd.Process.Pid {
			t.Errorf("UserOf(%s) = %v, %v; want the server", dir, user, err)
		}
	}
	w.press("Job 2")
	w.press("Stop")
	w.shows("#now", "Stopped")
	w.press("All jobs")
	w.await(`[...document.querySelectorAll('#drives li')].some((e) => !e.innerText.includes('It reads.'))`)

	// Drive B has nothing to do now: it can wait for the case that drive A reads.
	w.press("Job 1")
	w.press("Then Simulated drive B")
	w.shows("#part-line", "Another drive waits until this pass is over")
	w.press("Stop")
	w.shows("#now", "Stopped")
	w.quiet()
}

// A case that another program writes into is shown as it goes, and nothing can be done
// to it.
func TestLockedCaseOnThePage(t *testing.T) {
	t.Parallel()
	jobs, a, _ := demoBench(t)
	dir := filepath.Join(jobs, "job-1")
	turnstone(t, "read", dir, "--drive", a).is(exitMissing)
	c, err := imager.Open(dir, imager.Writer{Command: "another program", Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { c.Close() }()
	s := serve(t, dir, "--drive", a)
	w := openBrowser(t, 1024, 768)
	w.open(s.url)
	w.press("Job 1")
	w.shows("#now", "Another program works on it")
	w.shows(".far", " missing (")
	w.await(`!document.querySelector('#part-act button')`)
	clean, _ := imager.ParseTreatment("clean")
	if _, err := c.OpenRound(mapfile.Round{Treatments: []mapfile.Treatment{clean}, Note: "<b>note</b>"}); err != nil {
		t.Fatal(err)
	}
	w.shows("#part-rounds", "clean") // live, by its files
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	w.shows("#now", "Treated since it was read")
	w.shows("#part-act", "Read it")
	w.quiet()
}

// evilDisc is a disc whose names are markup.
func evilDisc(t testing.TB) string {
	t.Helper()
	const evil = `<img src=x onerror=window.hacked=1>`
	image := vt.ISO(nil, vt.File{Dir: true, Children: []vt.File{
		{Name: evil + ".vob", Data: vt.Bytes("a", 100*vt.Size)},
		{Name: `"><script>window.hacked=1<∕script>.vob`, Data: vt.Bytes("b", 60*vt.Size)},
		{Name: "photo.jpg", Data: vt.Bytes("c", 5000)},
	}}, vt.ISOOptions{RockRidge: true, Label: "EVIL"})
	path := filepath.Join(t.TempDir(), "disc.iso")
	if err := os.WriteFile(path, image, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Names come after a tap, as text whatever is in them; which film matters is said with a
// tap too.
func TestNamesOnThePage(t *testing.T) {
	t.Parallel()
	jobs := filepath.Join(t.TempDir(), "jobs")
	if err := os.Mkdir(jobs, 0o700); err != nil {
		t.Fatal(err)
	}
	const evil = "<b onclick=alert(1)>Anna"
	dir := filepath.Join(jobs, evil)
	disc := evilDisc(t)
	turnstone(t, "merge", dir, "--image", disc, "--good", "0-119,140-191").is(exitMissing)
	turnstone(t, "round", dir, "other <script>window.hacked=1</script>", "--note", "<img src=x onerror=window.hacked=1>").is(exitDone)
	s := serve(t, jobs, "--drive", disc)
	w := openBrowser(t, 1280, 900)
	w.open(s.url)
	w.shows("#jobs", "Whole\n0 of 2 films")
	w.shows("#jobs", "Last round\n1, other <script>")
	w.shows("#jobs", "Next: read it on its new surface")
	w.shot("jobs")
	if text := w.body(); strings.Contains(text, "Anna") {
		t.Errorf("the page tells a name before it is asked for:\n%s", text)
	}
	w.is(`document.querySelector('#jobs a').click(), true`)
	w.shows("#part-files", "film 1")
	w.shows("#part-files", "film 2")
	w.shows("#part-files", "missing")
	if text := w.body(); strings.Contains(text, "onerror") || strings.Contains(text, "Anna") {
		t.Errorf("the page tells names before they are asked for:\n%s", text)
	}
	w.shot("films")
	w.press("Show names")
	w.shows("#part-files", "<img src=x onerror=window.hacked=1>")
	w.shows("h1", evil)
	w.press("Hide names")
	w.shows("#part-files", "film 1")
	w.press("mark") // the first film
	w.press("Only the marked ones matter")
	w.shows("#part-files", "not all of them are wanted")
	if st := statusOf(t, dir); st.Wanted == nil || len(st.Wanted.Names) != 1 {
		t.Errorf("wanted = %+v; want one film", st.Wanted)
	}
	w.press("Everything matters")
	w.await(`!document.querySelector('#part-files').innerText.includes('not all of them')`)
	if n, err := evaluate[float64](w, `(window.hacked ?? 0) + document.querySelectorAll('main script, main b, main img:not(#map)').length`); err != nil || n != 0 {
		t.Errorf("markup from a disc became part of the page (%g, %v)", n, err)
	}
	w.quiet()
}

// A browser without server-sent events asks, and sees the same.
func TestPageWithoutEvents(t *testing.T) {
	t.Parallel()
	jobs, a, _ := demoBench(t)
	s := serve(t, jobs, "--drive", a, "--pace", "400")
	w := openBrowser(t, 1024, 768)
	w.do(protocol(page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: "delete window.EventSource"}))
	w.open(s.url)
	w.shows("#link", "asked every two seconds")
	w.press("New job: read it")
	w.shows("#now", "The pass is over")
	w.shows("#part-advice", "Clean it")
	w.quiet()
}

// The token in the link lets a browser in, leaves the address, and the page says that it
// is not encrypted; without it nothing is told.
func TestPageForTheWorkshop(t *testing.T) {
	t.Parallel()
	jobs, a, _ := demoBench(t)
	s := serve(t, jobs, "--drive", a, "--listen", "0.0.0.0:0")
	if out := s.out.String(); !strings.Contains(out, "It is not encrypted: for a trusted network only.") {
		t.Errorf("turnstone bench --listen 0.0.0.0:0 says:\n%s\nwant that it is not encrypted", out)
	}
	port := regexp.MustCompile(`:(\d+)/`).FindStringSubmatch(s.url)[1]
	token := regexp.MustCompile(`token=(\S+)`).FindStringSubmatch(s.out.String())[1]
	w := openBrowser(t, 1024, 768)
	w.open("http://127.0.0.1:" + port + "/")
	w.shows("body", "use the link with the token")
	w.open("http://127.0.0.1:" + port + "/?token=" + token)
	w.shows("main", "Hold it against the light first")
	w.shows("#open", "not encrypted")
	if at := w.is("location.href + document.cookie"); strings.Contains(at.(string), token) || at != "http://127.0.0.1:"+port+"/" {
		t.Errorf("the address and what scripts see of cookies are %v; want no token in them", at)
	}
	w.quiet("401")
}

// turnstone stop ends the passes of the page, and the page with them.
func TestStopEndsThePage(t *testing.T) {
	t.Parallel()
	jobs, a, _ := demoBench(t)
	s := serve(t, jobs, "--drive", a, "--pace", "10")
	w := openBrowser(t, 1024, 768)
	w.open(s.url)
	w.press("New job: read it")
	w.shows("#part-act", "Stop")
	w.await(`/Reading|Trying/.test(document.getElementById('now').innerText)`)
	dir := filepath.Join(jobs, "job-1")
	turnstone(t, "stop", dir).is(exitDone, "was ended; what came is saved")
	s.wait().is(exitDone, "told to stop")
	if p := statusOf(t, dir).Rounds[0].Passes[0]; p.Ended != imager.HowInterrupted || p.Won == 0 {
		t.Errorf("the pass ended %+v; want interrupted, with what came", p)
	}
	w.shows("#link", "no connection")
}

// A disk that is full ends the pass, and the page says what to do.
func TestFullDiskOnThePage(t *testing.T) {
	t.Parallel()
	place := mountTarget(t, "tmpfs", "size=6m")
	s := serve(t, place.path(""), "--drive", discFile(t, 8192))
	w := openBrowser(t, 1024, 768)
	w.open(s.url)
	w.press("New job: read it")
	w.shows("#now", "The pass failed")
	w.shows(".next", "Make room on that disk first.")
	w.shows("#part-events", "will stop when it is full")
	if text := w.body(); strings.Contains(text, place.path("")) {
		t.Errorf("the page tells where its cases lie:\n%s", text)
	}
	s.signal(syscall.SIGINT)
	s.wait().is(exitDone)
	turnstone(t, "check", place.path("job-1")).is(exitDone)
}
