package bench

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// Who is let in:
//
//	request ──> Host ──> Origin ──> token ──> page
//	             │         │          │
//	             │         │          └ off loopback only: a cookie, made of the link's token
//	             │         └ what changes something comes from this page itself
//	             └ the address that is listened on: a name that points here does not do,
//	               so that no other site can make a browser ask for it (DNS rebinding)
//
// On loopback there is no token: whoever can connect works on this machine.
type guard struct {
	hosts  map[string]bool // that may be asked for, with port
	token  string          // "" on loopback
	cookie string          // its name
}

// newGuard guards a server that listens at an address; token is "" on loopback. Other
// names are those by which others call this machine.
func newGuard(at *net.TCPAddr, token string, names []string) *guard {
	_, port, _ := net.SplitHostPort(at.String())
	g := &guard{hosts: map[string]bool{}, token: token, cookie: "turnstone-" + port}
	if at.IP.IsLoopback() {
		names = []string{"localhost", "127.0.0.1", "::1", at.IP.String()}
	}
	for _, n := range names {
		g.hosts[strings.ToLower(net.JoinHostPort(n, port))] = true
		if port == "80" {
			g.hosts[strings.ToLower(n)] = true
		}
	}
	return g
}

// headers go with every answer. No code or style but this server's own files is run, no
// other server is asked, nobody may frame the page, nobody is told where one came from.
var headers = map[string]string{
	"Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
		"frame-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
	"Referrer-Policy":              "no-referrer",
	"X-Content-Type-Options":       "nosniff",
	"X-Frame-Options":              "DENY",
	"Cross-Origin-Opener-Policy":   "same-origin",
	"Cross-Origin-Resource-Policy": "same-origin",
}

// in lets requests in.
func (g *guard) in(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for name, value := range headers {
			w.Header().Set(name, value)
		}
		http.NewResponseController(w).SetWriteDeadline(time.Now().Add(patience))
		switch {
		case !g.hosts[strings.ToLower(r.Host)]:
			refuse(w, http.StatusMisdirectedRequest, "this server goes by another name: use the link that it printed")
		case !g.ownOrigin(r):
			refuse(w, http.StatusForbidden, "that was asked by another site's page")
		case r.Method != http.MethodGet && r.Method != http.MethodPost:
			refuse(w, http.StatusMethodNotAllowed, "GET or POST")
		case g.token == "" || g.knows(r):
			next.ServeHTTP(w, r)
		case r.Method == http.MethodGet && r.URL.Path == "/" && g.right(r.URL.Query().Get("token")):
			// The token leaves the address at once, so that it is in no history. Lax, not
			// Strict: browsers would not send the cookie behind a link in a message.
			http.SetCookie(w, &http.Cookie{Name: g.cookie, Value: g.pass(), Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode})
			w.Header().Set("Cache-Control", "no-store")
			w.Header().Set("Location", "/")
			w.WriteHeader(http.StatusSeeOther)
		default:
			refuse(w, http.StatusUnauthorized, "use the link with the token that turnstone bench has printed")
		}
	})
}

// ownOrigin tells whether a request that may change something comes from this server's
// own page, as far as the browser says where it comes from. What is only read is let
// through without an origin: browsers send none with it.
func (g *guard) ownOrigin(r *http.Request) bool {
	switch site := r.Header.Get("Sec-Fetch-Site"); site {
	case "", "same-origin":
	case "none": // typed, or a bookmark
		if r.Method != http.MethodGet {
			return false
		}
	default: // a link on another page may lead to the first page, and nowhere else
		if r.Method != http.MethodGet || r.URL.Path != "/" || r.Header.Get("Sec-Fetch-Mode") != "navigate" {
			return false
		}
	}
	origin := r.Header.Get("Origin")
	if origin == "" {
		return r.Method == http.MethodGet
	}
	u, err := url.Parse(origin)
	return err == nil && u.Scheme == "http" && strings.EqualFold(u.Host, r.Host)
}

// right tells whether that is the token.
func (g *guard) right(token string) bool { return equal(token, g.token) }

// pass is what the cookie holds: it shows that the token was known, and does not tell
// it.
func (g *guard) pass() string {
	sum := sha256.Sum256([]byte("turnstone bench " + g.token))
	return hex.EncodeToString(sum[:])
}

func (g *guard) knows(r *http.Request) bool {
	c, err := r.Cookie(g.cookie)
	return err == nil && equal(c.Value, g.pass())
}

// equal compares without telling by its time how much is alike.
func equal(a, b string) bool {
	x, y := sha256.Sum256([]byte(a)), sha256.Sum256([]byte(b))
	return subtle.ConstantTimeCompare(x[:], y[:]) == 1
}
