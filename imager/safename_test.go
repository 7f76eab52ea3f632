package imager

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"
)

func TestSafeName(t *testing.T) {
	long := strings.Repeat("ä", 200) + ".jpeg"
	for _, c := range []struct{ name, want string }{
		{"VTS_01_1.VOB", "VTS_01_1.VOB"},
		{"Größe – 日本語.txt", "Größe – 日本語.txt"},
		{".hidden", ".hidden"},
		{"a b  c.txt", "a b  c.txt"},
		{"", "_"}, {".", "_"}, {"..", "__"}, {"...", "___"}, {" ", "_"},
		{"../../etc/passwd", ".._.._etc_passwd"},
		{"/etc/passwd", "_etc_passwd"},
		{`C:\Windows`, "C__Windows"},
		{"a\x00b", "a_b"}, {"a\nb\x1b[2Jc\x7f", "a_b_[2Jc_"},
		{"what?*.txt", "what__.txt"},
		{"ends in a dot.", "ends in a dot_"}, {"ends in a space ", "ends in a space_"}, {"both. .", "both___"},
		{"con", "_con"}, {"CON.txt", "_CON.txt"}, {"Lpt1", "_Lpt1"}, {"com9.tar.gz", "_com9.tar.gz"}, {"COM¹", "_COM¹"},
		{"nul .txt", "_nul .txt"}, {"console", "console"}, {"com10", "com10"}, {"com", "com"},
		{"bad \xff\xfe UTF-8", "bad _ UTF-8"},
		{"photo\u202egpj.exe", "photo_gpj.exe"}, // turns round what follows
		{"می\u200cخواهم", "می\u200cخواهم"},      // a joiner that the script needs
		{long, strings.Repeat("ä", 125) + ".jpeg"},
	} {
		if got := safeName(c.name); got != c.want {
			t.Errorf("safeName(%q) = %q; want %q", c.name, got, c.want)
		}
	}
}

// safe proves what every name that is written must be.
func safe(t *testing.T, name string) {
	t.Helper()
	switch {
	case name == "" || name == "." || name == ".." || len(name) > 255 || !utf8.ValidString(name),
		strings.ContainsAny(name, "/\\\x00:*?\"<>|"), strings.HasSuffix(name, "."), strings.HasSuffix(name, " "),
		strings.IndexFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f }) >= 0:
		t.Errorf("the name %q is not safe", name)
	}
	if base, _, _ := strings.Cut(name, "."); isDevice(strings.TrimRight(base, " ")) {
		t.Errorf("the name %q is a device's", name)
	}
}

func FuzzSafeName(f *testing.F) {
	for _, s := range []string{"", "..", "con.", "a/b", "a\x00", strings.Repeat("x", 300), "\xff", "aux .txt", ". .", strings.Repeat("ä", 130) + "."} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, name string) {
		once := safeName(name)
		safe(t, once)
		if again := safeName(once); again != once {
			t.Errorf("safeName(%q) = %q, and of that %q", name, once, again)
		}
		taken := namesTaken{}
		first, second := taken.give(once), taken.give(strings.ToUpper(once))
		safe(t, first)
		safe(t, second)
		if foldSafe(first) == foldSafe(second) {
			t.Errorf("two like %q are %q and %q", once, first, second)
		}
	})
}

func TestNamesTaken(t *testing.T) {
	taken := namesTaken{}
	for _, c := range []struct{ name, want string }{
		{"a.txt", "a.txt"}, {"A.TXT", "A (2).TXT"}, {"a.txt", "a (3).txt"}, {"a (3).txt", "a (3) (2).txt"},
		{"a (4).txt", "a (4).txt"}, {"a.txt", "a (5).txt"}, {".profile", ".profile"}, {".Profile", ".Profile (2)"},
		{"ſ", "ſ"}, {"S", "S (2)"}, // one letter in some folds
	} {
		if got := taken.give(c.name); got != c.want {
			t.Errorf("give(%q) = %q; want %q", c.name, got, c.want)
		}
	}
	// Many alike do not take long.
	seen := map[string]bool{}
	for range 50_000 {
		name := taken.give("same")
		if seen[name] {
			t.Fatalf("%q was given twice", name)
		}
		seen[name] = true
	}
	if name := taken.give(strings.Repeat("l", 255)); len(name) != 255 {
		t.Errorf("a name of 255 bytes became one of %d", len(name))
	}
	for n := range 3 {
		if name := taken.give(strings.Repeat("L", 255)); len(name) > 255 || !strings.HasSuffix(name, fmt.Sprintf(" (%d)", n+2)) {
			t.Errorf("give(a long name again) = %q, %d bytes", name, len(name))
		}
	}
}
