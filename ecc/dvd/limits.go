package dvd

// What the code can do, from its numbers; tests try each limit and the first
// thing beyond it.
const (
	// RowErrors is the wrong bytes in a row that PI corrects wherever they lie.
	RowErrors = (RowSize - dataSize) / 2
	// ColumnErrors is the wrong bytes in a column that PO corrects by itself.
	ColumnErrors = (Rows - dataRows) / 2
	// ColumnErasures is the failed rows that PO restores.
	ColumnErasures = Rows - dataRows
)

// Bursts are runs of recorded bytes that are all wrong. A row takes up 0.397 mm of
// the track of a disc of one layer, 0.437 mm of one with two: 2 · 1488 channel bits
// of 133.3 nm (146.7 nm), the bits by a secondary source that cites ECMA-267, the
// count from memory.
const (
	// BlindBurst is the longest burst that PO corrects everywhere in a block
	// without being told where it lies: 8 rows, 3.17 mm.
	BlindBurst = ColumnErrors * RowSize
	// LongestBurst is the longest that Decode corrects everywhere in a block: it
	// leaves 16 rows with more wrong than PI corrects, and a bit at its ends. Ends
	// of 6 bytes would make 17 such rows of 15 whole ones. 5.97 mm.
	LongestBurst = (ColumnErasures-1)*RowSize + 2*RowErrors + 1
	// KnownBurst is the longest that PO could correct if each byte of it were known
	// to be wrong: 16 rows, 6.35 mm. No decoder does better.
	KnownBurst = ColumnErasures * RowSize
)
