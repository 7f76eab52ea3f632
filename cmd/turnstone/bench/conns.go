package bench

import (
	"container/list"
	"net"
	"net/http"
	"sync"
)

// mostConns is how many connections there may be at once: many more than a workshop's
// tablets need.
const mostConns = 400

// turnstile bounds the connections of a server. Where there are too many, the oldest
// that has not sent a whole request yet makes room: whoever opens thousands and says
// nothing is in nobody's way. Where all of them are at work, the new one is closed.
type turnstile struct {
	net.Listener
	most int

	mu    sync.Mutex
	open  map[net.Conn]*list.Element // its place among the mute; nil for one that has spoken
	mutes *list.List                 // of connections that have not sent a request, oldest first
}

func newTurnstile(l net.Listener, most int) *turnstile {
	return &turnstile{Listener: l, most: most, open: map[net.Conn]*list.Element{}, mutes: list.New()}
}

// Accept implements net.Listener.
func (t *turnstile) Accept() (net.Conn, error) {
	for {
		c, err := t.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if t.take(c) {
			return c, nil
		}
		c.Close()
	}
}

// take counts a connection; false where there is no room for it.
func (t *turnstile) take(c net.Conn) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.open) >= t.most {
		oldest := t.mutes.Front()
		if oldest == nil {
			return false
		}
		old := oldest.Value.(net.Conn)
		t.forget(old)
		old.Close()
	}
	t.open[c] = t.mutes.PushBack(c)
	return true
}

// state follows a connection (http.Server.ConnState).
func (t *turnstile) state(c net.Conn, s http.ConnState) {
	t.mu.Lock()
	defer t.mu.Unlock()
	place, known := t.open[c]
	if !known {
		return
	}
	switch s {
	case http.StateActive:
		if place != nil {
			t.mutes.Remove(place)
			t.open[c] = nil
		}
	case http.StateIdle: // kept by a browser for later: it may be closed
		if place == nil {
			t.open[c] = t.mutes.PushBack(c)
		}
	case http.StateClosed, http.StateHijacked:
		t.forget(c)
	}
}

// forget takes a connection off. The mutex is held.
func (t *turnstile) forget(c net.Conn) {
	if place := t.open[c]; place != nil {
		t.mutes.Remove(place)
	}
	delete(t.open, c)
}
