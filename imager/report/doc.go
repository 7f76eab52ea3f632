// Package report tells what a case has to say to people: the page for the bench, with
// everything; the page for the customer, in plain words; the hours for the invoice; and
// the same as JSON.
//
//	case folder ──┐
//	map, events   ├─ Of ──► Report ─┬─ Bench     ──► one file of HTML
//	files, sums   │                 ├─ Customer  ──► one file of HTML, one sheet of paper
//	letterhead  ──┘                 ├─ JSON      ──► the document, with nothing left out
//	                                └─ Hours     ──► CSV, a line for each round
//
// # What is missing
//
// Every sector of the written area that is not in the image belongs to exactly one of
// two kinds, by the surface as it is now:
//
//	could not be read   a pass of the last round asked for it, and it did not come
//	not tried further   no pass of the last round asked for it: not since the last
//	                    treatment, or never at all
//
// Each of the first has the kind of its error, which is that of the last pass that asked
// for it, and its place: its address and, where the disc's geometry is known, its radius.
//
// # What others ask to be recorded
//
// NIST's Digital Data Acquisition Tool Specification (draft 1 of version 4.0, 2004)
// asks that read errors that were not resolved are reported by kind and place, and that
// what can't be read is filled in a known, benign way [memory: its requirements 07 and
// 08]; ISO/IEC 27037:2012 that it is recorded who did what, when and with what, with
// checksums, and what failed. The bench's page has a table that says where each of
// these stands.
//
// # Names
//
// Names from a disc, notes and letterheads are other people's text. On pages they go
// through html/template; in CSV what a spreadsheet would take for a formula gets an
// apostrophe in front. The pages hold no script, load nothing, and say so to the browser.
package report
