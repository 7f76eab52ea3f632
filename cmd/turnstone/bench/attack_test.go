package bench

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/imager"
	"turnstone/mapfile"
)

// plainWords says as little as can be.
type plainWords struct{}

func (plainWords) Passing() func(imager.Progress) Telling {
	return func(p imager.Progress) Telling { return Telling{Sentence: fmt.Sprint(p.Missing, " missing")} }
}
func (plainWords) Event(e mapfile.Event) string                   { return e.Text }
func (plainWords) Far(good, all int64) string                     { return fmt.Sprint(good, " of ", all) }
func (plainWords) Trouble(err error) string                       { return err.Error() }
func (plainWords) Standing(imager.Status) string                  { return "" }
func (plainWords) Film(imager.Film) string                        { return "it plays" }
func (plainWords) Whole(imager.Listed) string                     { return "some" }
func (plainWords) Round(r imager.RoundStatus) string              { return fmt.Sprint("round ", r.Round) }
func (plainWords) Proved(imager.CheckResult) string               { return "proved" }
func (plainWords) Cautions(mapfile.Round, imager.Status) []string { return []string{"wet, not dry"} }
func (plainWords) Doubt(r mapfile.Round, _ imager.Status) string {
	return map[bool]string{true: "Sure?"}[r.Treatments[0].Word == imager.Sand]
}

// noDrives is a bench without any.
type noDrives struct{}

func (noDrives) Look(context.Context, func(string) bool) []Drive { return nil }
func (noDrives) Open(context.Context, string, imager.Known) (device.Reader, error) {
	return nil, errors.New("no drive")
}

// noReports is pages with nothing on them but what a name of a case can bring.
type noReports struct{}

func (noReports) Customer(w io.Writer, _ string) error {
	_, err := io.WriteString(w, "<script>1</script>")
	return err
}
func (noReports) Bench(io.Writer, string) error { return errors.New("no report") }
func (noReports) Hours(w io.Writer, _ string) error {
	_, err := io.WriteString(w, "round,hours\n")
	return err
}

// site is a server under attack.
type site struct {
	t    testing.TB
	b    *Bench
	jobs string
	addr string
	id   string // of its case
}

// newSite serves a bench with one case; off loopback where it has a token.
func newSite(t testing.TB, token string) *site {
	t.Helper()
	top := t.TempDir()
	jobs := filepath.Join(top, "jobs")
	if err := os.Mkdir(jobs, 0o700); err != nil {
		t.Fatal(err)
	}
	makeCase(t, filepath.Join(jobs, "job-1"))
	if err := os.WriteFile(filepath.Join(top, "secret"), []byte("the secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	runs := imager.NewRuns(func() imager.Writer { return imager.Writer{Command: "test", CaseID: "x", Now: time.Now} })
	b, err := New(ctx, Options{Cases: []string{jobs}, Runs: runs, Drives: noDrives{}, Speech: plainWords{}, Counsel: plainWords{}, Reports: noReports{}, Epoch: "E"})
	if err != nil {
		t.Fatal(err)
	}
	at := "127.0.0.1:0"
	l, err := net.Listen("tcp", at)
	if err != nil {
		t.Fatal(err)
	}
	s := &site{t: t, b: b, jobs: jobs, addr: l.Addr().String(), id: idOf(filepath.Join(jobs, "job-1"))}
	done := make(chan error, 1)
	go func() {
		done <- b.Serve(ctx, Door{Listener: posing{l, token != ""}, Token: token, Names: []string{"127.0.0.1"}})
	}()
	go b.Work(ctx)
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Serve = %v; want nil", err)
		}
	})
	b.paint()
	return s
}

// posing is a listener that says that it listens off loopback.
type posing struct {
	net.Listener
	off bool
}

func (p posing) Addr() net.Addr {
	a := *p.Listener.Addr().(*net.TCPAddr)
	if p.off {
		a.IP = net.IPv4(192, 0, 2, 1) // of no network (RFC 5737)
	}
	return &a
}

// ask sends a request as it is told, and returns the code and the body.
func (s *site) ask(method, path, body string, header ...string) (int, string) {
	s.t.Helper()
	r, err := http.NewRequestWithContext(s.t.Context(), method, "http://"+s.addr+path, strings.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	for _, h := range header {
		name, value, _ := strings.Cut(h, ": ")
		if name == "Host" {
			r.Host = value
		} else {
			r.Header.Set(name, value)
		}
	}
	c := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := c.Do(r)
	if err != nil {
		s.t.Fatalf("%s %s: %v", method, path, err)
	}
	defer resp.Body.Close()
	b, _ := io.ReadAll(resp.Body)
	return resp.StatusCode, string(b)
}

// serves fails the test where the page is not served any more.
func (s *site) serves() {
	s.t.Helper()
	if code, body := s.ask("GET", "/", ""); code != http.StatusOK || !strings.Contains(body, "<title>Turnstone") {
		s.t.Errorf("GET / = %d %q; want the page", code, body)
	}
}

// What other sites, strangers and curious people send is refused, and the page is
// served as before.
func TestAttacks(t *testing.T) {
	s := newSite(t, "")
	self, kind := "Origin: http://"+s.addr, "Content-Type: application/json"
	round := fmt.Sprintf(`{"case":%q,"treatment":"clean"}`, s.id)
	port := s.addr[strings.LastIndex(s.addr, ":"):]
	for _, a := range []struct {
		name, method, path, body string
		header                   []string
		want                     int
	}{
		{"its own page", "POST", "/do/round", round, []string{self, kind}, 200},
		{"as localhost", "POST", "/do/round", round, []string{"Host: localhost" + port, "Origin: http://localhost" + port, kind}, 200},
		{"another host", "GET", "/", "", []string{"Host: evil.example"}, 421},
		{"another host, this port", "GET", "/", "", []string{"Host: evil.example" + port}, 421},
		{"another port", "GET", "/", "", []string{"Host: 127.0.0.1:1"}, 421},
		{"no host to speak of", "GET", "/", "", []string{"Host: @"}, 421},
		{"another origin", "POST", "/do/round", round, []string{"Origin: http://evil.example", kind}, 403},
		{"another origin reads", "GET", "/changes", "", []string{"Origin: http://evil.example"}, 403},
		{"an origin that is none", "POST", "/do/round", round, []string{"Origin: null", kind}, 403},
		{"https of it", "POST", "/do/round", round, []string{"Origin: https://" + s.addr, kind}, 403},
		{"no origin", "POST", "/do/round", round, []string{kind}, 403},
		{"another site's script", "GET", "/changes", "", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: no-cors"}, 403},
		{"another site's frame or picture", "GET", "/map/" + s.id, "", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: navigate"}, 403},
		{"a neighbour's page", "POST", "/do/round", round, []string{self, kind, "Sec-Fetch-Site: same-site"}, 403},
		{"a link on another page", "GET", "/", "", []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Mode: navigate"}, 200},
		{"a form", "POST", "/do/round", round, []string{self, "Content-Type: application/x-www-form-urlencoded"}, 415},
		{"plain text", "POST", "/do/round", round, []string{self, "Content-Type: text/plain"}, 415},
		{"a change by GET", "GET", "/do/round?case=" + s.id + "&treatment=clean", "", nil, 404},
		{"PUT", "PUT", "/do/round", round, []string{self, kind}, 405},
		{"DELETE", "DELETE", "/map/" + s.id, "", []string{self}, 405},
		{"TRACE", "TRACE", "/", "", []string{self}, 405},
		{"no such action", "POST", "/do/exec", round, []string{self, kind}, 404},
		{"a field too many", "POST", "/do/read", `{"case":"x","command":"id"}`, []string{self, kind}, 400},
		{"no JSON", "POST", "/do/read", `id; rm -rf /`, []string{self, kind}, 400},
		{"a large order", "POST", "/do/round", `{"treatment":"` + strings.Repeat("x", 1<<20) + `"}`, []string{self, kind}, 413},
		{"path escape", "GET", "/../../etc/passwd", "", nil, 307},
		{"path escape, in code", "GET", "/%2e%2e/%2e%2e/secret", "", nil, 404},
		{"path escape, twice in code", "GET", "/%252e%252e/secret", "", nil, 404},
		{"path escape by a case", "GET", "/status/..%2f..%2fsecret", "", nil, 404},
		{"path escape by a case's name", "GET", "/names/" + strings.ReplaceAll(s.jobs, "/", "%2F"), "", nil, 404},
		{"source", "GET", "/../serve.go", "", nil, 307},
		{"a folder", "GET", "/page/", "", nil, 404},
		{"a turn that is none", "GET", "/map/" + s.id + "?turn=1e9", "", nil, 400},
		{"a sheet that is none", "GET", "/map/" + s.id + "?sheet=../../x", "", nil, 404},
	} {
		code, body := s.ask(a.method, a.path, a.body, a.header...)
		if code != a.want {
			t.Errorf("%s: %s %s = %d %.200s; want %d", a.name, a.method, a.path, code, body, a.want)
		}
		if strings.Contains(body, "the secret") || strings.Contains(body, "package bench") || strings.Contains(body, s.jobs) || strings.Contains(body, "root:") {
			t.Errorf("%s: the answer tells what it must not: %.200s", a.name, body)
		}
	}
	m, err := imager.Load(filepath.Join(s.jobs, "job-1"))
	if err != nil || len(m.Rounds()) != 3 {
		t.Errorf("the case has %d rounds, %v; want 3: two were opened by its own page", len(m.Rounds()), err)
	}
	s.serves()
}

// Every answer says what may be run: nothing that stands in it.
func TestEveryAnswerHasItsHeaders(t *testing.T) {
	s := newSite(t, "")
	for _, path := range []string{"/", "/app.js", "/style.css", "/nothing", "/changes", "/map/" + s.id, "/status/" + s.id} {
		resp, err := http.Get("http://" + s.addr + path)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		for name, want := range headers {
			if got := resp.Header.Get(name); got != want {
				t.Errorf("GET %s: %s = %q; want %q", path, name, got, want)
			}
		}
	}
	if strings.Contains(headers["Content-Security-Policy"], "unsafe") || !strings.HasPrefix(headers["Content-Security-Policy"], "default-src 'none'") {
		t.Errorf("the policy is %q; want nothing but what is named, and nothing unsafe", headers["Content-Security-Policy"])
	}
	entries, err := page.ReadDir("page")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		b, _ := page.ReadFile("page/" + e.Name())
		for _, inline := range []string{"<script>", "<style", "style=\"", " onclick=\"", "javascript:", "innerHTML", "outerHTML", "insertAdjacentHTML", "eval(", "http://", "https://"} {
			if strings.Contains(strings.ReplaceAll(string(b), "http://www.w3.org/", ""), inline) {
				t.Errorf("page/%s has %q in it", e.Name(), inline)
			}
		}
	}
}

// Reports are pages of their own that run nothing, whatever stands in them.
func TestReportsRunNothing(t *testing.T) {
	s := newSite(t, "")
	resp, err := http.Get("http://" + s.addr + "/report/" + s.id + "/customer")
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	policy := resp.Header.Get("Content-Security-Policy")
	if !strings.Contains(policy, "default-src 'none'") || !strings.HasSuffix(policy, "sandbox") || strings.Contains(policy, "script") {
		t.Errorf("the policy of a report is %q; want no scripts, in a sandbox", policy)
	}
	if code, body := s.ask("GET", "/report/"+s.id+"/bench", ""); code != http.StatusServiceUnavailable || !strings.Contains(body, "no report") {
		t.Errorf("GET a report that fails = %d %s; want 503, why", code, body)
	}
	if code, _ := s.ask("GET", "/report/"+s.id+"/../../x", ""); code == http.StatusOK {
		t.Errorf("GET a report by a path = %d; want none", code)
	}
	if code, body := s.ask("GET", "/report/"+s.id+"/hours", ""); code != http.StatusOK || !strings.Contains(body, "round,hours") {
		t.Errorf("GET the hours = %d %s; want them", code, body)
	}
}

// Off loopback nothing is told without the token; it becomes a cookie that no script
// reads, and leaves the address.
func TestToken(t *testing.T) {
	s := newSite(t, "the-token")
	for _, path := range []string{"/", "/app.js", "/changes", "/feed", "/map/" + s.id, "/?token=wrong", "/?token=", "/changes?token=the-token", "/names/" + s.id} {
		if code, body := s.ask("GET", path, ""); code != http.StatusUnauthorized || strings.Contains(body, s.id) {
			t.Errorf("GET %s without a cookie = %d %q; want 401", path, code, body)
		}
	}
	if code, _ := s.ask("POST", "/do/round?token=the-token", `{}`, "Origin: http://"+s.addr, "Content-Type: application/json"); code != http.StatusUnauthorized {
		t.Errorf("POST with the token in the address = %d; want 401", code)
	}
	if code, _ := s.ask("GET", "/", "", "Cookie: turnstone-"+s.addr[strings.LastIndex(s.addr, ":")+1:]+"=the-token"); code != http.StatusUnauthorized {
		t.Errorf("GET with the token for a cookie = %d; want 401", code)
	}
	jar, _ := cookiejar.New(nil)
	c := http.Client{Jar: jar}
	resp, err := c.Get("http://" + s.addr + "/?token=the-token")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK || resp.Request.URL.RawQuery != "" {
		t.Errorf("GET with the token = %d at %s; want the page, at an address without the token", resp.StatusCode, resp.Request.URL)
	}
	set := resp.Request.Response.Header.Get("Set-Cookie")
	for _, want := range []string{"HttpOnly", "SameSite=Lax", "Path=/"} {
		if !strings.Contains(set, want) {
			t.Errorf("Set-Cookie: %s; want %s in it", set, want)
		}
	}
	if strings.Contains(set, "the-token") || resp.Header.Get("Referrer-Policy") != "no-referrer" {
		t.Errorf("Set-Cookie: %s, Referrer-Policy: %s; want no token, no referrer", set, resp.Header.Get("Referrer-Policy"))
	}
	if resp, err = c.Get("http://" + s.addr + "/changes"); err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("GET /changes with the cookie = %v, %v; want 200", resp, err)
	}
	body, _ := io.ReadAll(resp.Body)
	if !bytes.Contains(body, []byte(`"bench":{"open":true}`)) {
		t.Errorf("the page is told %s; want that the line is open", body)
	}
	if err := s.b.Serve(t.Context(), Door{Listener: posing{idle(t), true}}); !errors.Is(err, ErrOpen) {
		t.Errorf("Serve off loopback without a token = %v; want ErrOpen", err)
	}
}

// idle is a listener that nobody calls.
func idle(t testing.TB) net.Listener {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

// Names of cases that are markup stay text: they come as JSON, and what shows them makes
// text of them (the browser's part is in cmd/turnstone).
func TestNamesAreDataOnly(t *testing.T) {
	s := newSite(t, "")
	evil := `x<img src=x onerror=alert(1)>`
	makeCase(t, filepath.Join(s.jobs, evil))
	s.b.paint()
	code, body := s.ask("GET", "/changes", "")
	if code != 200 || strings.Contains(body, "onerror") {
		t.Errorf("GET /changes = %d %s; want no name of a case in it", code, body)
	}
	code, body = s.ask("GET", "/names/"+idOf(filepath.Join(s.jobs, evil)), "")
	if code != 200 || strings.Contains(body, "<img") || !strings.Contains(body, `\u003cimg`) {
		t.Errorf("GET /names = %d %s; want the name, with no markup in it", code, body)
	}
	round := fmt.Sprintf(`{"case":%q,"treatment":"other <script>alert(1)</script>"}`, s.id)
	code, body = s.ask("POST", "/do/round", round, "Origin: http://"+s.addr, "Content-Type: application/json")
	if code != 200 || strings.Contains(body, "<script") {
		t.Errorf("POST /do/round = %d %s; want no markup", code, body)
	}
}

// Ten thousand connections that say nothing, or not all, are in nobody's way.
func TestHalfOpenConnections(t *testing.T) {
	s := newSite(t, "")
	var all []net.Conn
	defer func() {
		for _, c := range all {
			c.Close()
		}
	}()
	const n = 10_000
	for i := range n {
		c, err := net.Dial("tcp", s.addr)
		if err != nil {
			t.Fatalf("connection %d: %v", i, err)
		}
		if i%2 == 0 {
			io.WriteString(c, "GET / HTTP/1.1\r\nHost: ")
		}
		all = append(all, c)
		if len(all) > 2000 { // this test may not hold more files than a process has
			all[0].Close()
			all = all[1:]
		}
		if i%2500 == 0 {
			s.serves()
		}
	}
	s.serves()
}

// A body of a gigabyte is not read.
func TestHugeBody(t *testing.T) {
	s := newSite(t, "")
	c, err := net.Dial("tcp", s.addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "POST /do/round HTTP/1.1\r\nHost: %s\r\nOrigin: http://%s\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n{\"treatment\":\"", s.addr, s.addr, 1<<30)
	sent := int64(0)
	go func() { // until the server hangs up
		block := bytes.Repeat([]byte("x"), 1<<16)
		for {
			n, err := c.Write(block)
			if sent += int64(n); err != nil {
				return
			}
		}
	}()
	resp, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err == nil && resp.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("1 GB = %d; want 413", resp.StatusCode)
	}
	s.serves()
}

// Many viewers at once each get what there is, and what changes.
func TestFiftyViewers(t *testing.T) {
	s := newSite(t, "")
	type viewer struct {
		lines *bufio.Scanner
		body  io.Closer
	}
	var all []viewer
	for range 50 {
		resp, err := http.Get("http://" + s.addr + "/feed?case=" + s.id)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, viewer{bufio.NewScanner(resp.Body), resp.Body})
	}
	await := func(v viewer, words string) {
		for v.lines.Scan() {
			if strings.Contains(v.lines.Text(), words) {
				return
			}
		}
		t.Fatalf("a feed ended before it told %q: %v", words, v.lines.Err())
	}
	for _, v := range all {
		await(v, "job/"+s.id)
	}
	s.ask("POST", "/do/round", fmt.Sprintf(`{"case":%q,"treatment":"other seen by fifty"}`, s.id), "Origin: http://"+s.addr, "Content-Type: application/json")
	for _, v := range all {
		await(v, "seen by fifty")
		v.body.Close()
	}
}
