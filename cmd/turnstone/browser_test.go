package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// shots is a folder for pictures of the page, to be looked at.
var shots = flag.String("shots", "", "leave pictures of the bench page in this folder")

// browser is a real one, without a window, that shows the page.
type browser struct {
	t   testing.TB
	ctx context.Context

	mu    sync.Mutex
	wrong []string // what its console complained of
}

// openBrowser starts a Chromium with a window of that size.
func openBrowser(t testing.TB, width, height int64) *browser {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil && path == "" {
			path = p
		}
	}
	if path == "" {
		lacking(t, "no Chromium on this machine: apt-get install chromium")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox,
		chromedp.WindowSize(int(width), int(height)), chromedp.DisableGPU, chromedp.WSURLReadTimeout(tooLate),
		chromedp.Flag("autoplay-policy", "no-user-gesture-required"))
	all, end := chromedp.NewExecAllocator(context.Background(), options...)
	b := &browser{t: t}
	var close context.CancelFunc
	b.ctx, close = chromedp.NewContext(all)
	t.Cleanup(func() { close(); end() })
	b.do(chromedp.EmulateViewport(width, height), protocol(log.Enable, cdp.Empty{}), protocol(runtime.Enable, cdp.Empty{}))
	if err := chromedp.Listen(b.ctx, b.listen); err != nil {
		t.Fatal(err)
	}
	return b
}

// protocol is a command of the browser's protocol as an action.
func protocol[P, R any](c cdp.Command[P, R], params P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, c, params)
		return err
	})
}

// listen keeps what the console complains of.
func (b *browser) listen(e any) {
	text := ""
	switch e := e.(type) {
	case *runtime.EventExceptionThrown:
		text = e.ExceptionDetails.Text
		if x := e.ExceptionDetails.Exception; x != nil {
			text += " " + x.Description
		}
	case *runtime.EventConsoleAPICalled:
		if e.Type == runtime.ConsoleAPICalledTypeError || e.Type == runtime.ConsoleAPICalledTypeWarning {
			for _, a := range e.Args {
				text += string(a.Value) + a.Description + " "
			}
		}
	case *log.EventEntryAdded:
		if e.Entry.Level == "error" || e.Entry.Level == "warning" {
			text = e.Entry.Text + " " + e.Entry.URL
		}
	}
	if text != "" {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.wrong = append(b.wrong, text)
	}
}

// quiet fails the test where the console complained, but for what is expected.
func (b *browser) quiet(expected ...string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, w := range b.wrong {
		if !strings.Contains(strings.Join(expected, "\n"), w) && !anyIn(w, expected) {
			b.t.Errorf("the console says: %s", w)
		}
	}
}

func anyIn(text string, parts []string) bool {
	for _, p := range parts {
		if strings.Contains(text, p) {
			return true
		}
	}
	return false
}

// do has the browser do something, no longer than tooLate.
func (b *browser) do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := b.try(actions...); err != nil {
		b.t.Fatalf("the browser: %v; the page says:\n%s", err, b.body())
	}
}

func (b *browser) try(actions ...chromedp.Action[chromedp.Void]) error {
	ctx, cancel := context.WithTimeout(b.ctx, tooLate)
	defer cancel()
	if chromedp.FromContext(b.ctx).Target == nil { // the first one starts it, and must outlast this
		ctx = b.ctx
	}
	return chromedp.Do(ctx, actions...)
}

func (b *browser) body() (text string) {
	ctx, cancel := context.WithTimeout(b.ctx, 5*time.Second)
	defer cancel()
	text, _ = chromedp.Run(ctx, chromedp.Evaluate[string]("document.body.innerText"))
	return text
}

func (b *browser) open(url string) {
	b.t.Helper()
	b.do(chromedp.Navigate(url))
}

// is evaluates an expression of JavaScript.
func (b *browser) is(expression string) any {
	b.t.Helper()
	value, err := evaluate[any](b, expression)
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return value
}

func evaluate[T any](b *browser, expression string) (T, error) {
	ctx, cancel := context.WithTimeout(b.ctx, tooLate)
	defer cancel()
	return chromedp.Run(ctx, chromedp.Evaluate[T](expression))
}

// await waits until an expression of JavaScript holds. (Poll of chromedp makes functions
// of text, which the page's policy forbids.)
func (b *browser) await(expression string) {
	b.t.Helper()
	if !b.within(tooLate, expression) {
		b.t.Fatalf("on the page never came true: %s\nit says:\n%s", expression, b.body())
	}
}

// within tells whether it holds before that time is over.
func (b *browser) within(limit time.Duration, expression string) bool {
	for late := time.Now().Add(limit); time.Now().Before(late); time.Sleep(30 * time.Millisecond) {
		if holds, err := evaluate[bool](b, "!!("+expression+")"); err == nil && holds {
			return true
		}
	}
	return false
}

// shows waits until the page has words in an element.
func (b *browser) shows(selector, words string) {
	b.t.Helper()
	b.await(hasWords(selector, words))
}

// hasWords is whether it has them.
func hasWords(selector, words string) string {
	return fmt.Sprintf("document.querySelector(%s)?.innerText.includes(%s)", quoted(selector), quoted(words))
}

func quoted(s string) string {
	q, _ := json.Marshal(s)
	return string(q)
}

// press presses the button that has words on it, as soon as it can be.
func (b *browser) press(words string) {
	b.t.Helper()
	button := fmt.Sprintf("[...document.querySelectorAll('button:not(:disabled), a, summary')].find((e) => e.innerText.trim() === %s && e.checkVisibility())", quoted(words))
	b.await(button)
	b.is(button + ".click(), true")
}

// shot leaves a picture of the page, where the test was told a folder.
func (b *browser) shot(name string) {
	b.t.Helper()
	if *shots == "" {
		return
	}
	ctx, cancel := context.WithTimeout(b.ctx, tooLate)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(*shots, name+".png"), png, 0o600); err != nil {
		b.t.Fatal(err)
	}
}

// served is the program while it serves the page.
type served struct {
	*running
	url string
}

var link = regexp.MustCompile(`http://\S+`)

// serve starts turnstone bench at a free port, or at one that is said.
func serve(t testing.TB, args ...string) served {
	t.Helper()
	if !strings.Contains(strings.Join(args, " "), "--listen") {
		args = append(args, "--listen", "127.0.0.1:0")
	}
	r := start(t, append([]string{"bench"}, args...)...)
	if !r.out.await("http://", r.done) || !r.out.await("\n", r.done) {
		t.Fatalf("turnstone bench %v says no link; it said:\n%s", args, r.err.String())
	}
	return served{r, link.FindString(r.out.String())}
}

// demoBench makes the demo's disc and drives, and an empty folder for cases.
func demoBench(t testing.TB) (jobs, a, b string) {
	t.Helper()
	dir := t.TempDir()
	if err := makeDemoDisc(filepath.Join(dir, demoDiscName)); err != nil {
		t.Fatal(err)
	}
	scenario := filepath.Join(dir, demoScenarioName)
	if err := os.WriteFile(scenario, demoScenario, 0o600); err != nil {
		t.Fatal(err)
	}
	jobs = filepath.Join(dir, "jobs")
	if err := os.Mkdir(jobs, 0o700); err != nil {
		t.Fatal(err)
	}
	return jobs, scenario + ":A", scenario + ":B"
}
