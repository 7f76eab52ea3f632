// Package unit is a simulated drive as a host meets it at the end of a cable: command
// blocks go in; status, data, residual and sense data come out, after SPC and MMC. In
// it lies a disc of package sim, whose physics and whose clock decide what becomes of
// each READ. It stands in for a real drive in tests and practice.
//
//	 host                     Unit                                sim.Drive
//	┌──────┐ block, data    ┌──────────────────────────────────┐ ┌─────────┐
//	│      ├───────────────►│ script │ attentions │ fields     │ │ light,  │
//	│      │                │   tray, spindle, lock, settings  ├►│ rows,   │
//	│      │◄───────────────┤   what is told of drive and disc │ │ clock   │
//	└──────┘ status, sense, │ log of every command             │ │         │
//	         residual, data └──────────────────────────────────┘ └─────────┘
//
// # Commands
//
// It knows the commands of package scsi and no other: another operation code is
// refused (5/20/00), and so is every field that does not hold what it may (5/24/00
// with a pointer to the byte, 5/26/xx in a list that came, 5/21/00 for an address).
// What it does with each is common practice where package scsi names no source.
//
//	READ(10), READ(12)  what sim.Drive makes of that range under the settings in force:
//	                    the same sectors, the same virtual time. At most 256 blocks.
//	                    FUA and DPO are taken: there is no cache.
//	  with Streaming    no retries; what a block does not give is filled with wrong bytes
//	READ CD             on a CD: user data, as READ(10) does; or the subheader; of a CD that
//	                    is simulated down to its frames also whole sectors, with C2
//	                    pointers: one attempt at each, no retries
//	SEEK(10)            moves the head
//	MODE SELECT         read retry count and flags of page 01h, as far as the mask says
//	SET CD SPEED        caps the ladder of speeds, and SET STREAMING does
//
// With TB on page 01h a failing sector is sent, wrong, before the error; with RC as
// with Streaming; with PER what came after a repeat is a recovered error (1/17/01).
//
// # Conditions
//
//	            tray open        no disc        stopped        spinning up
//	READ, …     2/3A/02          2/3A/01        2/04/02        2/04/01
//
// Attentions wait until a command tells them that is not INQUIRY, REQUEST SENSE (which
// gives them as its data), GET CONFIGURATION or GET EVENT STATUS: 6/29/01 after power
// on, 6/29/00 after a reset, 6/28/00 when a disc that was put in has become ready.
//
// Settings (page 01h, the cap, the lock) are lost at each reset; the cap also where
// the disc is changed [memory].
//
// # Time
//
// The clock is virtual. It is the host's as well: Wait moves it. READ and SEEK take
// what sim.Drive takes, the tray and the spindle what times.go says, all else nothing.
// A command that meets a stall is never answered: the host's patience passes, and the
// unit goes on giving no answer until the stall's time is over or it had what the
// scenario says it needs. It may then be there by another name.
//
// # Script
//
// Rules make commands end otherwise: see [Unit.At] and [Unit.On]. What they do beyond
// the sectors that the disc itself gives takes no time.
package unit
