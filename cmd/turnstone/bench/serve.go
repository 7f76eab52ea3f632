package bench

import (
	"context"
	"errors"
	"io"
	"log"
	"net"
	"net/http"
	"time"
)

// How long things may take.
const (
	patience  = 10 * time.Second // a page, to take what it is sent
	headTime  = 5 * time.Second  // a request's head
	bodyTime  = 10 * time.Second // a whole request
	idleTime  = time.Minute
	mostHead  = 16 << 10 // bytes of a request's head
	lastWords = 2 * time.Second
)

// Door is where the server listens, and for whom.
type Door struct {
	Listener net.Listener
	Token    string   // asked for; "" on loopback, and nowhere else
	Names    []string // off loopback: by which this machine may be called, beside its address
}

// ErrOpen is returned when a server off loopback would ask for no token.
var ErrOpen = errors.New("off loopback a token is asked for")

// Serve serves the page until ctx ends. The listener is closed then, the pages that are
// open are let go. Passes go on: they end with the bench's context.
func (b *Bench) Serve(ctx context.Context, d Door) error {
	at, ok := d.Listener.Addr().(*net.TCPAddr)
	if !ok || !at.IP.IsLoopback() && d.Token == "" {
		return ErrOpen
	}
	b.ledger.put("bench", map[string]any{"open": !at.IP.IsLoopback()})
	gate := newTurnstile(d.Listener, mostConns)
	s := &http.Server{
		Handler: newGuard(at, d.Token, d.Names).in(b.routes()), ConnState: gate.state,
		ReadHeaderTimeout: headTime, ReadTimeout: bodyTime, IdleTimeout: idleTime, MaxHeaderBytes: mostHead,
		BaseContext: func(net.Listener) context.Context { return ctx },
		ErrorLog:    log.New(io.Discard, "", 0), // what strangers send is nobody's news
	}
	done := make(chan error, 1)
	go func() { done <- s.Serve(gate) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastWords)
	defer cancel()
	if err := s.Shutdown(last); err != nil {
		s.Close()
	}
	<-done
	return nil
}

// routes are what the server answers. What changes something is a POST.
func (b *Bench) routes() http.Handler {
	m := http.NewServeMux()
	m.HandleFunc("GET /", b.serveFile)
	m.HandleFunc("GET /feed", b.serveFeed)
	m.HandleFunc("GET /changes", b.serveChanges)
	m.HandleFunc("GET /names/{id}", b.serveNames)
	m.HandleFunc("GET /map/{id}", b.serveMap)
	m.HandleFunc("GET /status/{id}", b.serveStatus)
	m.HandleFunc("GET /report/{id}/{whom}", b.serveReport)
	m.HandleFunc("POST /do/{what}", b.serveAction)
	return m
}
