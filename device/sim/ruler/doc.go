// Package ruler measures orders of reading: it runs a whole job on a simulated
// disc, each round and each drive in turn, and tells how soon an order got what
// could be got. The yardsticks, three simple orders to compare others with, live
// here too; no program reads a disc by them.
//
//	for each round, each drive:
//
//	  missing ──► Order ──Next──► simulated drive ──► Note ──┐
//	                ▲                     │                  │
//	                └─────────────────────│──────────────────┘
//	                                      ▼
//	                       wins, times ──► Figures, trace
//
// Every order is measured on the same work: what it has not asked for when it has
// nothing more to say is asked for then, in order of address.
//
// # Trace
//
// One line of JSON for each read command, in order of time:
//
//	{"round":0,"drive":"A","t0":1.250731,"t1":1.253902,"lba":4096,"count":16,"good":16,"outcome":"ok","x":16,"retries":0}
//
// t0 and t1 are the command's start and end in virtual seconds since the start of
// the job; whatever it cost lies between. Good is the leading sectors that came.
// Outcome is ok, medium (a block could not be corrected), track (the drive lost
// it) or stall (and gave no answer). X is the speed at which the command ran, as a
// multiple of 1x, and retries the read retry count that was set for it.
//
// # Truth
//
// One line of JSON for each ECC block, in order of address:
//
//	{"lba":4096,"chance":[[0.912345,1],[0,0.2]],"slow":[[0.93,1],[0,0.21]],"lost":[[false,false],[true,false]]}
//
// By round and by drive in it: the chance that one attempt above 2x delivers the
// whole block, the same at 2x, and whether the drive loses the track there, which
// makes both 0. A chance of 1 never fails and one of 0 never delivers: what is not
// sure is given as 0.999999 at most and 0.000001 at least.
package ruler
