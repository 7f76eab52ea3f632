package rs

import (
	"fmt"
	"slices"
)

// Columns is a matrix whose columns are code words of one code. It is worked on
// row by row, all columns at once, which memory likes better than column by
// column. The matrix is bytes of the caller's; its rows may lie in it in any
// order and with anything between them. Columns belongs to one goroutine at a
// time.
type Columns struct {
	c     *Code
	rows  []int // where each row begins, in the order of the code
	width int
	size  int // least length of the matrix
	reg   []register
	s     solver
	mend  [MaxN]int
}

// ColumnsResult is what Columns.Decode did to a matrix.
type ColumnsResult struct {
	Clean, Corrected, Uncorrectable int // columns of each verdict
	// Changed is the number of symbols changed in each row, in the order of the
	// code. The slice is the Columns' and holds until its next call.
	Changed []int
}

// NewColumns makes the columns of matrices of the given width, whose rows begin
// at the given offsets: c.N() of them, those with check symbols last. ErrLength
// is returned when the rows are not as many, negative, or overlap, or the width
// isn't positive; ErrCode when the code has more than 16 check symbols.
func (c *Code) NewColumns(width int, rows []int) (*Columns, error) {
	if c.quick == nil {
		return nil, fmt.Errorf("%w: columns of a code of %d check symbols; at most %d", ErrCode, c.Checks(), quickMax)
	}
	if len(rows) != c.n {
		return nil, fmt.Errorf("%w: %d rows; the code has %d symbols", ErrLength, len(rows), c.n)
	}
	sorted := slices.Sorted(slices.Values(rows))
	if width <= 0 || sorted[0] < 0 {
		return nil, fmt.Errorf("%w: rows of %d bytes, the first at %d", ErrLength, width, sorted[0])
	}
	for i := range len(sorted) - 1 {
		if sorted[i+1]-sorted[i] < width {
			return nil, fmt.Errorf("%w: rows of %d bytes at %d and %d", ErrLength, width, sorted[i], sorted[i+1])
		}
	}
	last := sorted[len(sorted)-1]
	if last+width < last {
		return nil, fmt.Errorf("%w: a row of %d bytes at %d", ErrLength, width, last)
	}
	return &Columns{
		c: c, rows: slices.Clone(rows), width: width, size: last + width,
		reg: make([]register, width), s: solver{c: c},
	}, nil
}

// fits tells in words what is wrong with a matrix's length.
func (x *Columns) fits(matrix []byte) error {
	if len(matrix) < x.size {
		return fmt.Errorf("%w: a matrix of %d bytes; its rows end at %d", ErrLength, len(matrix), x.size)
	}
	return nil
}

// row is the i-th row in the order of the code.
func (x *Columns) row(matrix []byte, i int) []byte { return matrix[x.rows[i]:][:x.width] }

// divide leaves each column's check symbols in its register.
func (x *Columns) divide(matrix []byte) {
	clear(x.reg)
	t, reg, i := x.c.quick, x.reg, 0
	for ; (x.c.k-i)%4 != 0; i++ {
		row := x.row(matrix, i)[:len(reg)]
		for col := range reg {
			reg[col] = reg[col].feed(t, row[col])
		}
	}
	for ; i < x.c.k; i += 4 {
		x.feed4(x.row(matrix, i), x.row(matrix, i+1), x.row(matrix, i+2), x.row(matrix, i+3))
	}
}

// feed4 feeds four rows into the registers.
func (x *Columns) feed4(a, b, c, d []byte) {
	t, reg := x.c.quick, x.reg
	a, b, c, d = a[:len(reg)], b[:len(reg)], c[:len(reg)], d[:len(reg)] // no check of bounds below
	for col := range reg {
		r := &reg[col]
		hi, lo := r.hi, r.lo
		e, f := &t[3][byte(hi>>56)^a[col]], &t[2][byte(hi>>48)^b[col]]
		g, h := &t[1][byte(hi>>40)^c[col]], &t[0][byte(hi>>32)^d[col]]
		r.hi = hi<<32 | lo>>32 ^ e.hi ^ f.hi ^ g.hi ^ h.hi
		r.lo = lo<<32 ^ e.lo ^ f.lo ^ g.lo ^ h.lo
	}
}

// remain leaves each column's remainder in its register: the check symbols that
// it should have plus those that it has.
func (x *Columns) remain(matrix []byte) {
	x.divide(matrix)
	reg := x.reg
	for i := range x.c.Checks() {
		row := x.row(matrix, x.c.k+i)[:len(reg)]
		if shift := 56 - 8*i; shift >= 0 {
			for col := range reg {
				reg[col].hi ^= uint64(row[col]) << shift
			}
			continue
		}
		shift := 120 - 8*i
		for col := range reg {
			reg[col].lo ^= uint64(row[col]) << shift
		}
	}
}

// symbol is the i-th symbol of a register.
func (r register) symbol(i int) byte {
	if i < 8 {
		return byte(r.hi >> (56 - 8*i))
	}
	return byte(r.lo >> (120 - 8*i))
}

// Encode fills in the rows of check symbols. ErrLength is returned when the
// matrix ends before its rows do.
func (x *Columns) Encode(matrix []byte) error {
	if err := x.fits(matrix); err != nil {
		return err
	}
	x.divide(matrix)
	for i := range x.c.Checks() {
		row := x.row(matrix, x.c.k+i)
		for col := range row {
			row[col] = x.reg[col].symbol(i)
		}
	}
	return nil
}

// Check tells whether every column is a code word. ErrLength is returned when
// the matrix ends before its rows do.
func (x *Columns) Check(matrix []byte) (bool, error) {
	if err := x.fits(matrix); err != nil {
		return false, err
	}
	x.remain(matrix)
	for _, r := range x.reg {
		if r != (register{}) {
			return false, nil
		}
	}
	return true, nil
}

// Decode corrects every column in place, the given rows being erased in all of
// them; an uncorrectable column is left as it came. ErrLength is returned when
// the matrix ends before its rows do, ErrErasure when there is no such row or
// one is named twice.
func (x *Columns) Decode(matrix []byte, erased []int) (ColumnsResult, error) {
	if err := x.fits(matrix); err != nil {
		return ColumnsResult{}, err
	}
	if !x.s.erase(erased) {
		return ColumnsResult{}, fmt.Errorf("%w: rows %v of %d", ErrErasure, erased, x.c.n)
	}
	x.remain(matrix)
	res := ColumnsResult{Changed: x.mend[:x.c.n]}
	clear(res.Changed)
	var rem [quickMax]byte
	for col, r := range x.reg {
		if r == (register{}) {
			res.Clean++
			continue
		}
		for i := range rem {
			rem[i] = r.symbol(i)
		}
		wrong, ok := x.s.solve(rem[:x.c.Checks()])
		if !ok {
			res.Uncorrectable++
			continue
		}
		res.Corrected++
		for i, p := range x.s.places[:wrong] {
			if v := x.s.values[i]; v != 0 {
				matrix[x.rows[p]+col] ^= v
				res.Changed[p]++
			}
		}
	}
	return res, nil
}
