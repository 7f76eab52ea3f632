package main

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// axe is the text of axe-core, which judges whether a page can be used by everyone
// (npm, axe-core). It does not come with the program: .ci/run fetches it.
func axe(t testing.TB) string {
	t.Helper()
	path := os.Getenv("TURNSTONE_AXE")
	if path == "" {
		lacking(t, "TURNSTONE_AXE does not name axe.min.js; .ci/run fetches it")
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// judged fails the test where axe-core finds a serious violation.
func (b *browser) judged(axe, what string) {
	b.t.Helper()
	b.is(axe + "; true")
	b.is(`window.judged = null, window.axe.run({resultTypes: ['violations']}).then((r) => {
		window.judged = r.violations.map((v) => [v.impact, v.id, v.nodes.map((n) => n.target.join(' ') + ' ' + n.failureSummary).slice(0, 3).join(' | ')].join(': '));
	}), true`)
	b.await("window.judged")
	found, err := evaluate[[]string](b, "window.judged")
	if err != nil {
		b.t.Fatal(err)
	}
	for _, v := range found {
		b.t.Errorf("%s: axe-core finds %s", what, v)
	}
}

// fits fails the test where something lies outside the window, the line is too small for
// the room, or a button too small for a wet finger (44 px: WCAG 2.2, 2.5.5).
func (b *browser) fits(what string) {
	b.t.Helper()
	if wide, _ := evaluate[float64](b, "document.documentElement.scrollWidth - window.innerWidth"); wide > 0 {
		b.t.Errorf("%s: the page is %g px wider than the window", what, wide)
	}
	small, err := evaluate[[]string](b, `[...document.querySelectorAll('button, a.button')].filter((e) => e.checkVisibility() && e.getBoundingClientRect().height < 44).map((e) => e.innerText)`)
	if err != nil || len(small) > 0 {
		b.t.Errorf("%s: these are less than 44 px high: %q, %v", what, small, err)
	}
}

// usable notes when the first job can be tapped, in ms since the page was asked for.
const usable = `new MutationObserver((_, o) => {
	if (document.querySelector('#jobs a')) { window.usable = performance.now(); o.disconnect(); }
}).observe(document, {subtree: true, childList: true})`

// The page on a telephone, a tablet and a wall screen, light and dark: all of it is
// there, large enough, and axe-core finds nothing.
func TestPageFitsItsScreens(t *testing.T) {
	t.Parallel()
	rules := axe(t)
	jobs, a, b := demoBench(t)
	turnstone(t, "inspect", filepath.Join(jobs, "job-7"), "--crack", "no", "--size", "12", "--by", "Sam").is(exitDone)
	turnstone(t, "read", filepath.Join(jobs, "job-7"), "--drive", a).is(exitMissing)
	s := serve(t, jobs, "--drive", a, "--drive", b)
	for _, c := range []struct {
		width, height int64
		scheme        string
		line          float64 // px at least
	}{{320, 640, "light", 28}, {768, 1024, "dark", 44}, {1920, 1080, "light", 90}} {
		what := fmt.Sprintf("%d px, %s", c.width, c.scheme)
		w := openBrowser(t, c.width, c.height)
		w.do(protocol(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: c.scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}}))
		w.do(protocol(page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true})) // for axe-core alone
		w.do(protocol(page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: usable}))
		w.open(s.url)
		w.shows("main", "Hold it against the light first")
		w.shows("main", "Job 7")
		ms, _ := evaluate[float64](w, "window.usable")
		t.Logf("%s: the jobs are there %.0f ms after the page was asked for", what, ms)
		w.fits(what + ", all jobs")
		w.judged(rules, what+", all jobs")
		w.shot(fmt.Sprintf("jobs-%d", c.width))
		w.press("Job 7")
		w.shows("#part-advice", "Clean it and read again")
		w.await(`document.getElementById('map')?.naturalWidth > 0`)
		w.press("Something else")
		w.fits(what + ", one job")
		w.judged(rules, what+", one job")
		if size, err := evaluate[float64](w, `parseFloat(getComputedStyle(document.getElementById('now')).fontSize)`); err != nil || size < c.line {
			t.Errorf("%s: the line's letters are %g px, %v; want %g at least", what, size, err, c.line)
		}
		w.shot(fmt.Sprintf("job-%d", c.width))
		w.quiet()
	}
}

// All of a job with the keyboard: Tab and Enter reach what is to be pressed, it is seen
// where one is, and Space goes on.
func TestPageByKeyboard(t *testing.T) {
	t.Parallel()
	jobs, a, _ := demoBench(t)
	s := serve(t, jobs, "--drive", a, "--pace", "5") // a pass of minutes: on a busy machine Tab takes its time
	w := openBrowser(t, 1024, 768)
	w.open(s.url)
	w.shows("main", "Hold it against the light first")
	tabTo := func(words string) {
		t.Helper()
		for range 60 {
			w.do(chromedp.KeyEvent("\t"))
			if on, _ := evaluate[string](w, `document.activeElement.matches(':focus-visible') ? document.activeElement.innerText.trim() : ''`); on == words {
				return
			}
		}
		t.Fatalf("Tab never reaches %q; the page says:\n%s", words, w.body())
	}
	// A key that meets the moment in which its button is drawn anew goes astray, as with
	// everyone: it is pressed once more.
	stop := func(key string) {
		t.Helper()
		for range 3 {
			tabTo("Stop")
			w.do(chromedp.KeyEvent(key))
			if w.within(15*time.Second, hasWords("#now", "Stopped")) {
				return
			}
		}
		t.Fatalf("%q on Stop, three times, stops nothing; the page says:\n%s", key, w.body())
	}
	tabTo("New job: read it")
	if width, _ := evaluate[string](w, `getComputedStyle(document.activeElement).outlineWidth`); width != "3px" {
		t.Errorf("the outline of what has the focus is %s; want 3px", width)
	}
	w.do(chromedp.KeyEvent("\r"))
	w.shows("#part-act", "Stop")
	stop(" ") // a button that was reached by the keyboard is pressed by Space, as everywhere
	w.shows("#part-act", "Only put in again")
	w.is(`document.activeElement.blur(), true`)
	w.do(chromedp.KeyEvent(" "))
	w.shows("#part-act", "Stop")
	w.do(chromedp.KeyEvent(" ")) // once too often: it must not stop
	w.shows("#part-act", "Stop")
	stop("\r")
	tabTo("Sanded 2000")
	w.do(chromedp.KeyEvent("\r"))
	w.shows("#ask", "Sanding can't be undone. Read first?") // much was not asked for yet
	w.do(chromedp.KeyEvent("\x1b"))
	w.shows("#said", "Nothing was done.")
	w.shows("h1", "Job 1")
	if rounds := len(statusOf(t, filepath.Join(jobs, "job-1")).Rounds); rounds != 1 {
		t.Errorf("the case has %d rounds; want 1: the question was not answered", rounds)
	}
	w.quiet()
}
