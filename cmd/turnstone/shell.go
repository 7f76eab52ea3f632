package main

import "strings"

// shellWord is a name as one word at a shell, for commands that are there to be
// copied.
func shellWord(name string) string {
	const plain = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/._-+@:,"
	if name != "" && strings.Trim(name, plain) == "" {
		return name
	}
	return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'"
}
