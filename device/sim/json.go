package sim

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

// Bounds of a scenario file, far above what one needs.
const (
	mostBytes  = 8 << 20
	mostValues = 1 << 20
)

// value is one value of a JSON document and the line on which it begins.
type value struct {
	line int
	text string // of a string or a number
	kind byte   // '{', '[', '"', '0' a number, 't' true, 'f' false, 'n' null
	keys []string
	list []value // the values of an object's keys, or of an array
}

var kinds = map[byte]string{
	'{': "an object", '[': "a list", '"': "a text", '0': "a number", 't': "true", 'f': "false", 'n': "null",
}

// tokens reads values and knows the line that it is on.
type tokens struct {
	d     *json.Decoder
	text  []byte
	at    int // bytes of text whose lines were counted
	line  int
	count int
}

// parseJSON reads one JSON document. An error is returned when it is not one,
// repeats a key, or is too large; it begins with the line.
func parseJSON(text []byte) (value, error) {
	if len(text) > mostBytes {
		return value{}, fmt.Errorf("%d bytes, above the limit of %d", len(text), mostBytes)
	}
	t := &tokens{d: json.NewDecoder(bytes.NewReader(text)), text: text, line: 1}
	t.d.UseNumber()
	v, err := t.value(0)
	if err == nil {
		if _, more := t.d.Token(); more != io.EOF {
			err = errors.New("something follows the end of the document")
		}
	}
	if err != nil {
		t.countLines(t.d.InputOffset())
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			t.countLines(int64(len(text)))
			err = errors.New("the file ends too early")
		}
		return value{}, fmt.Errorf("line %d: %w", t.line, err)
	}
	return v, nil
}

// countLines counts lines up to a byte.
func (t *tokens) countLines(to int64) {
	if end := min(int(to), len(t.text)); end > t.at {
		t.line += bytes.Count(t.text[t.at:end], []byte{'\n'})
		t.at = end
	}
}

// value reads the next value.
func (t *tokens) value(depth int) (value, error) {
	tok, err := t.d.Token()
	if err != nil {
		return value{}, err
	}
	t.countLines(t.d.InputOffset())
	v := value{line: t.line}
	if t.count++; t.count > mostValues {
		return v, fmt.Errorf("more than %d values", mostValues)
	}
	switch tok := tok.(type) {
	case string:
		v.kind, v.text = '"', tok
	case json.Number:
		v.kind, v.text = '0', tok.String()
	case bool:
		v.kind = 'f'
		if tok {
			v.kind = 't'
		}
	case nil:
		v.kind = 'n'
	case json.Delim:
		if depth > 20 {
			return v, errors.New("nested too deeply")
		}
		v.kind = byte(tok)
		return v, t.inside(&v, depth)
	}
	return v, nil
}

// inside reads what an object or a list holds, up to its end.
func (t *tokens) inside(v *value, depth int) error {
	var seen map[string]bool
	if v.kind == '{' {
		seen = map[string]bool{}
	}
	for t.d.More() {
		if v.kind == '{' {
			key, err := t.d.Token()
			if err != nil {
				return err
			}
			name, _ := key.(string)
			if seen[name] {
				return fmt.Errorf("key %q is there twice", name)
			}
			seen[name] = true
			v.keys = append(v.keys, name)
		}
		next, err := t.value(depth + 1)
		if err != nil {
			return err
		}
		v.list = append(v.list, next)
	}
	_, err := t.d.Token()
	return err
}

// form reads values out of a document by name and remembers the first that is
// wrong. After that everything reads as zero.
type form struct{ err error }

func (f *form) fail(v value, path, format string, args ...any) {
	if f.err == nil {
		f.err = fmt.Errorf("line %d: %s: %s", v.line, path, fmt.Sprintf(format, args...))
	}
}

// object is an object that is being read; done tells what it has too much.
type object struct {
	f     *form
	v     value
	path  string
	known []string
}

// object takes v for an object.
func (f *form) object(v value, path string) *object {
	if v.kind != '{' && f.err == nil {
		if path == "" {
			f.fail(v, "the document", "%s is wanted, not %s", kinds['{'], kinds[v.kind])
		}
		f.fail(v, path, "%s is wanted, not %s", kinds['{'], kinds[v.kind])
	}
	return &object{f: f, v: v, path: path}
}

// under is the path of a key.
func (o *object) under(key string) string {
	if o.path == "" {
		return key
	}
	return o.path + "." + key
}

// get is the value of a key.
func (o *object) get(key string) (value, bool) {
	o.known = append(o.known, key)
	if i := slices.Index(o.v.keys, key); i >= 0 && o.f.err == nil {
		return o.v.list[i], true
	}
	return value{}, false
}

// need is the value of a key that must be there.
func (o *object) need(key string) (value, bool) {
	v, ok := o.get(key)
	if !ok {
		o.f.fail(o.v, o.under(key), "missing")
	}
	return v, ok
}

// done fails where the object has a key that was not asked for.
func (o *object) done() {
	for i, key := range o.v.keys {
		if !slices.Contains(o.known, key) {
			o.f.fail(o.v.list[i], o.under(key), "unknown key; known here: %s", strings.Join(o.known, ", "))
		}
	}
}

// number is a number between two bounds; without the key it is def.
func (o *object) number(key string, least, most, def float64) float64 {
	if v, ok := o.get(key); ok {
		return o.f.number(v, o.under(key), least, most)
	}
	return def
}

// mustNumber is a number that must be there.
func (o *object) mustNumber(key string, least, most float64) float64 {
	if v, ok := o.need(key); ok {
		return o.f.number(v, o.under(key), least, most)
	}
	return 0
}

// whole is a whole number between two bounds; without the key it is def.
func (o *object) whole(key string, least, most, def int64) int64 {
	if v, ok := o.get(key); ok {
		return o.f.whole(v, o.under(key), least, most)
	}
	return def
}

// mustWhole is a whole number that must be there.
func (o *object) mustWhole(key string, least, most int64) int64 {
	if v, ok := o.need(key); ok {
		return o.f.whole(v, o.under(key), least, most)
	}
	return 0
}

// truth is true or false, and false without the key.
func (o *object) truth(key string) bool {
	v, ok := o.get(key)
	if ok && v.kind != 't' && v.kind != 'f' {
		o.f.fail(v, o.under(key), "true or false is wanted, not %s", kinds[v.kind])
	}
	return v.kind == 't'
}

// text is a text of some length; "" without the key.
func (o *object) text(key string, most int) string {
	v, ok := o.get(key)
	if !ok {
		return ""
	}
	if v.kind != '"' {
		o.f.fail(v, o.under(key), "%s is wanted, not %s", kinds['"'], kinds[v.kind])
	}
	if len(v.text) > most {
		o.f.fail(v, o.under(key), "longer than %d bytes", most)
		return ""
	}
	return v.text
}

// list is the values of a list of bounded length; none without the key.
func (o *object) list(key string, least, most int) []value {
	v, ok := o.get(key)
	if !ok {
		if least > 0 {
			o.f.fail(o.v, o.under(key), "missing")
		}
		return nil
	}
	return o.f.list(v, o.under(key), least, most)
}

func (f *form) list(v value, path string, least, most int) []value {
	if v.kind != '[' {
		f.fail(v, path, "%s is wanted, not %s", kinds['['], kinds[v.kind])
		return nil
	}
	if n := len(v.list); n < least || n > most {
		f.fail(v, path, "%d entries, not %d to %d", n, least, most)
		return nil
	}
	return v.list
}

func (f *form) number(v value, path string, least, most float64) float64 {
	if v.kind != '0' {
		f.fail(v, path, "%s is wanted, not %s", kinds['0'], kinds[v.kind])
		return 0
	}
	x, err := strconv.ParseFloat(v.text, 64)
	if err != nil || !(least <= x && x <= most) {
		f.fail(v, path, "%s is not between %v and %v", v.text, least, most)
		return 0
	}
	return x
}

func (f *form) whole(v value, path string, least, most int64) int64 {
	if v.kind != '0' {
		f.fail(v, path, "%s is wanted, not %s", kinds['0'], kinds[v.kind])
		return 0
	}
	n, err := strconv.ParseInt(v.text, 10, 64)
	if err != nil || n < least || n > most {
		f.fail(v, path, "%s is not a whole number between %d and %d", v.text, least, most)
		return 0
	}
	return n
}

// pair is a list of two numbers between two bounds.
func (f *form) pair(v value, path string, least, most float64) [2]float64 {
	l := f.list(v, path, 2, 2)
	if len(l) != 2 {
		return [2]float64{}
	}
	return [2]float64{f.number(l[0], path, least, most), f.number(l[1], path, least, most)}
}

// region is a pair of radii in mm, the first below the second.
func (o *object) region(key string) (inner, outer float64) {
	v, ok := o.need(key)
	if !ok {
		return 0, 0
	}
	p := o.f.pair(v, o.under(key), 0, edge)
	if o.f.err == nil && p[0] >= p[1] {
		o.f.fail(v, o.under(key), "%v is not below %v", p[0], p[1])
	}
	return p[0], p[1]
}

// the is the one key of an object that says what it is, and its value.
func (f *form) the(v value, path string, names ...string) (string, *object) {
	o := f.object(v, path)
	var name string
	var inner *object
	for _, n := range names {
		if w, ok := o.get(n); ok {
			if name != "" {
				f.fail(w, o.under(n), "beside %s; only one can be there", name)
			}
			name, inner = n, f.object(w, o.under(n))
		}
	}
	o.done()
	if name == "" {
		f.fail(v, path, "one of %s is wanted", strings.Join(names, ", "))
		return "", f.object(value{kind: '{'}, path)
	}
	return name, inner
}
