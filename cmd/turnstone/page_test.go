package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/chromedp/chromedp"

	"turnstone/imager"
)

// The demo's job on the page alone, from an empty folder to the last sector: two rounds
// and two drives; the page is loaded anew in the middle, and the server killed and
// started again.
func TestJobOnThePage(t *testing.T) {
	t.Parallel()
	jobs, a, b := demoBench(t)
	args := []string{jobs, "--drive", a, "--drive", b, "--pace", "100", "--by", "Kim"}
	s := serve(t, args...)
	page := openBrowser(t, 1280, 900)
	page.open(s.url)
	page.shows("main", "Simulated drive A")
	page.shows("main", "Hold it against the light first")
	page.shot("1-empty")
	page.press("New job: read it")
	page.shows("#part-act", "Stop")
	page.shot("2-reading")
	page.do(chromedp.Reload()) // the pass goes on, and the page finds it
	page.shows("#part-act", "Stop")
	job, _ := evaluate[string](page, "location.href")
	page.open("about:blank") // nobody looks
	page.open(job)
	page.shows("#part-act", "Stop")

	page.shows("#now", "The pass is over")
	page.shows(".far", " missing (")
	page.shows("#part-advice", "Clean it and read again")
	page.shows("#part-standing", "missing, failed on this surface")
	page.await(`document.getElementById('map')?.naturalWidth > 0`)
	page.shot("3-resting")

	page.press("Something else")
	page.is(`document.getElementById('treatment').value = 'clean; sand 2000, 4 min; polish coarse, 5 min', true`)
	page.press("Note it and read")
	page.shows("#said", "Wet, not dry")
	page.shows("#part-act", "Stop")
	page.shot("4-round-1")

	s.kill()
	page.shows("#link", "no connection")
	s = serve(t, append(args, "--listen", strings.TrimSuffix(strings.TrimPrefix(s.url, "http://"), "/"))...)
	page.shows("#now", "The program was ended by force")
	page.shot("5-killed")
	page.is(`document.body.focus(), document.activeElement?.blur(), true`)
	page.do(chromedp.KeyEvent(" ")) // the foot switch
	page.shows("#now", "The pass is over")
	page.shows("h1", "round 1")
	page.shows("#part-rounds", "sand 2000, 4 min")

	page.press("Polished")
	page.shows("#part-act", "Stop")
	page.shows("#now", "The pass is over")
	page.shows("h1", "round 2")
	page.is(`[...document.querySelectorAll('[role=radio]')].find((e) => e.innerText.includes('drive B')).click(), true`)
	page.press("Only put in again")
	page.shows("#now", "Everything is there")
	page.shows(".far", "All 32,768 sectors")
	page.shot("6-done")
	page.is(`document.body.focus(), document.activeElement?.blur(), true`)
	page.do(chromedp.KeyEvent(" "))
	page.shows(".next", "Proved: map and image agree; 32,768 good sectors were compared.")
	page.shot("6-proved")

	page.is(`location.assign(document.querySelector('[data-name=customer]').href), true`)
	page.await(`location.pathname.endsWith('/customer') && document.readyState === 'complete'`)
	page.shows("body", "job-1")
	page.shows("body", "What was saved of your disc")
	page.shot("7-customer")
	page.quiet("ERR_CONNECTION_REFUSED", "ERR_INCOMPLETE_CHUNKED_ENCODING", "ERR_CONNECTION_RESET", "ERR_EMPTY_RESPONSE")

	s.signal(syscall.SIGINT)
	s.wait().is(exitDone)
	dir := filepath.Join(jobs, "job-1")
	if st := statusOf(t, dir); st.Good != demoSectors || len(st.Rounds) != 3 {
		t.Errorf("the case has %d good sectors in %d rounds; want %d in 3", st.Good, len(st.Rounds), demoSectors)
	}
	if err := proveDemo(dir, filepath.Join(filepath.Dir(jobs), demoDiscName)); err != nil {
		t.Error(err)
	}
	turnstone(t, "check", dir, "--deep").is(exitDone)
	turnstone(t, "report", dir).is(exitDone)
	if page, err := os.ReadFile(filepath.Join(dir, "report", "bench.html")); err != nil || !strings.Contains(string(page), "Treated by Kim; read by Kim.") {
		t.Errorf("the bench's page of the job does not say who worked at it (%v)", err)
	}
	if user, err := imager.UserOf(dir); user != nil || err != nil {
		t.Errorf("UserOf = %v, %v; want nobody", user, err)
	}
}
