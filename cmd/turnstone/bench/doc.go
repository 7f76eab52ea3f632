// Package bench is the page for the bench: it shows cases while they are read, and
// starts and stops passes, over HTTP.
//
//	drives, cases ──painter──> ledger ──> every page that is open
//	                   ▲                    │
//	imager.Runs ──desk─┘                    │ POST /do/…
//	     ▲                                  ▼
//	     └───────────────────────────── actions
//
// # What pages are told
//
// A page is told entries: a key, such as "job/K3V2QX6A", and a JSON value. The ledger
// numbers every change; a page says which number it has seen, and gets the entries that
// changed since, as server-sent events, or by asking where a browser has none of these:
//
//	GET /feed[?case=ID]                text/event-stream, one message a second at most
//	GET /changes?since=E.N[&case=ID]   the same once, as JSON
//
//	{"at": "E.N", "set": {"job/K3V2QX6A": {…}, "case/K3V2QX6A/rounds": […]}}
//
// E is drawn anew when the server starts, so that a page that knew its predecessor gets
// everything again. An entry that is gone is null. Entries below case/ are of one case
// and go to pages that look at it.
//
// # What is private
//
// A page is told job numbers and "film 2". Names of cases and files are asked for
// singly (GET /names), when somebody taps for them. No path but those of files on a
// disc is ever told.
//
// # Safety
//
// See guard.go for who is let in, conns.go for how many.
package bench
