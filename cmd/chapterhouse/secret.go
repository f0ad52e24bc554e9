package main

import "fmt"

// Secret is what must not be seen: no log, report, error or page shows it,
// however it is printed. Whoever hands it on writes string(s) where everyone
// can see it.
type Secret string

const redacted = "[redacted]"

// Format is asked for every verb, also for a wrong one.
func (Secret) Format(f fmt.State, _ rune) { fmt.Fprint(f, redacted) }

// String is for logs, MarshalText for JSON and YAML.
func (Secret) String() string               { return redacted }
func (Secret) MarshalText() ([]byte, error) { return []byte(redacted), nil }
