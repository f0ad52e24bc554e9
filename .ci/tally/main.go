// Tally prints what failed in the output of `go test -json`, which tests were
// skipped, and how many passed and failed. A skip is a failure here.
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"strings"
)

func main() {
	f, err := os.Open(os.Args[1])
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	type event struct{ Action, Package, Test, Output string }
	output := map[string][]string{}
	passed, failed := 0, 0
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 16<<20)
	for lines.Scan() {
		var e event
		if json.Unmarshal(lines.Bytes(), &e) != nil {
			fmt.Println(lines.Text())
			continue
		}
		name := e.Package + " " + e.Test
		switch e.Action {
		case "output", "build-output":
			output[name] = append(output[name], e.Output)
		case "pass":
			if e.Test != "" {
				passed++
			}
			delete(output, name)
		case "fail", "skip":
			if e.Action == "skip" && e.Test == "" {
				continue // a package without tests
			}
			failed++
			fmt.Printf("--- %s: %s\n%s", strings.ToUpper(e.Action), name, strings.Join(output[name], ""))
		}
	}
	fmt.Printf("%d passed, %d failed\n", passed, failed)
	if failed > 0 || passed == 0 {
		os.Exit(1)
	}
}
