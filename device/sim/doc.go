// Package sim is a scratched DVD or CD in a drive, neither of which is there: it serves
// practice, demonstrations and tests, and is what orders of reading are measured
// on (package ruler). It is deterministic: the same scenario gives the same bytes,
// failures and virtual times on every machine.
//
// It obeys physics where a standard or optics gives it: the track, the beam's width
// at the surface, the code of an ECC block. The rest is invented and stands in one
// file, params.go. So nothing that it shows is a promise for a real disc.
//
//	marks, hazes     treatments
//	     └──────┬────────┘
//	            ▼
//	light T of each recorded row ──► rows that fail ──► sectors that come
//	            ▲                        ▲                     │
//	track, beam │       margin, noise of │the drive            ▼
//	(spiral)    │                        │          Answer, virtual clock
//
// # Light
//
// A beam of radius R at the surface meets a mark whose nearest piece is d away:
//
//	        ┌──────┐ mark of width w
//	      ╭─┼──╮   │
//	beam  │ │· │   │    covered share: that of a straight strip at distance d,
//	      ╰─┼──╯   │    or of a disc where the mark is a blot
//	        └──────┘
//
//	T = exp(−Σ densities of hazes) · Π over marks (1 − opacity · covered share)
//	opacity = 1 − exp(−depth/12 µm), of a blot 1 until all of its pit has come off
//
// Pieces of one mark count once. T is taken in the middle of each of a block's 208
// recorded rows.
//
// # Rows, blocks, sectors
//
// A row fails when T + noise·g is below the drive's margin, g being one normal draw
// for two rows. Up to 16 failed rows and the whole block comes; above that the
// sectors whose 12 rows all held. Four rows running with T below the servo's margin
// and the track is lost. The chance of a block is exact: the distribution of the
// number of failing rows, summed up pair by pair.
//
// Draws hang on (seed, drive, round, pass, block, attempt) alone.
//
// # Time
//
// A read command takes: moving the head; the transfer of all blocks up to the one
// that fails, this included; 1.2 turns for each further attempt; 0.1 s more if none
// helped; 3 to 9 s instead of attempts where the track is lost; and 40 to 90 s more
// where the drive then stalls. Speeds step down at each failed read, and up after
// 8 MiB without one. See clock.go and reading.go.
//
// # Scenario files
//
// JSON. Unknown keys are an error, which names the line; units stand in the names.
// Without a key marked − its default holds.
//
//	name                text −
//	seed                whole number −
//	disc
//	  kind              "dvd", or "cd" (below)
//	  sectors           a multiple of 16
//	  layers            1 or 2 −; two are read on opposite track path
//	  layer0_sectors    of two layers −: a half
//	  pitch_um, channel_bit_nm, inner_mm
//	                    what the disc truly is −: nominal
//	  pitch_wander      {amplitude_um −, length_mm −, seed −} −: none
//	  content           {"image": path} from the scenario's folder, or {"noise": true} −
//	marks               list of one each of −
//	  scratch           points_mm [[x, y], …], width_mm, depth_um
//	  arc               r_mm, from_deg, to_deg, width_mm, depth_um
//	  haze              region_mm [inner, outer], from_deg −, to_deg −, density, edge_mm −
//	  blot              at_mm [x, y], radius_mm, pit_um −
//	  hole              at_mm [x, y], radius_mm: of a CD, in its layer, for ever
//	wear                list −, scratches to be drawn:
//	                    count, seed −, region_mm, length_mm {min, mean},
//	                    width_mm {median, sigma −}, depth_um {median, sigma −}
//	drives              list
//	  name              one of its own
//	  margin, noise, servo_margin, max_x, retries, min_retries, partial   all −
//	  stall             {chance −, min_s −, max_s −, needs −, returns_as −} −
//	                    needs: "wait", "reset" or "reload" before it answers again;
//	                    returns_as: the node under which it comes back
//	rounds              list of {"treatments": list −}, of one each of
//	  sand              grit 2000 or 3000, strokes, region_mm
//	  polish            seconds, region_mm
//
// Of a CD the disc has, instead of sectors in blocks, layers and channel_bit_nm:
//
//	sectors           any number
//	velocity_m_s      at which it was cut: 1.2 − to 1.4
//	tracks            list − of {mode, sectors}, together all of the disc; mode is mode1,
//	                  form1, form2 or audio −: one track of mode1
//	content           as above, or {"raw_image": path} of whole sectors of 2,352 bytes
//
// # CDs
//
// A CD is simulated down to the frames of its code (package circ). Light and noise are
// those of groups of four frames: a group fails as a row of a DVD does, and takes its
// frames' words of C1 along. What C2 can't fill in is doubtful: these are the C2 pointers.
// The drive then tries the sector's own code (package cd), with the pointers for erasures;
// Drive.ReadRaw gives the sector before that. Whole jobs and chances are of DVDs only.
//
// Places are in mm from the spindle, on the disc's plane as package spiral has it:
// angle 0 is where sector 0 begins, and angles grow along the track. A mark may run
// off the disc, but not lie outside of it.
package sim
