package main

import (
	"errors"
	"fmt"
	"time"

	"chapterhouse/coordinator"
	"chapterhouse/pipeline/queue"

	"github.com/spf13/cobra"
)

// orderFlags give a title's place in the night.
type orderFlags struct{ class, due string }

func (o *orderFlags) add(c *cobra.Command, without string) {
	c.Flags().StringVar(&o.class, "class", "", "rush or overnight (default: "+without+")")
	c.Flags().StringVar(&o.due, "due", "", "when it is to be delivered, as 2026-12-01T06:00, or none (default: "+without+")")
}

// check tells what is off about the flags, before anything is done; both: the
// call asks for JSON and for progress.
func (o orderFlags) check(c *cobra.Command, both bool) error {
	if both {
		return usageError{c.CommandPath(), errors.New("--json and --watch don't go together: call watch afterwards")}
	}
	_, err := o.over(c, coordinator.Order{})
	return err
}

// dueForms are how a due date may be written: local time, or with a zone.
var dueForms = []string{"2006-01-02T15:04", "2006-01-02 15:04", time.RFC3339}

// over is an order with what the flags say in the place of its own.
func (o orderFlags) over(c *cobra.Command, order coordinator.Order) (coordinator.Order, error) {
	switch o.class {
	case "":
	case string(queue.Rush), string(queue.Overnight):
		order.Class = queue.Class(o.class)
	default:
		return order, usageError{c.CommandPath(), fmt.Errorf("--class takes rush or overnight, not %q", o.class)}
	}
	switch o.due {
	case "":
		return order, nil
	case "none":
		order.Due = time.Time{}
		return order, nil
	}
	for _, form := range dueForms {
		if due, err := time.ParseInLocation(form, o.due, time.Local); err == nil {
			order.Due = due.UTC()
			return order, nil
		}
	}
	return order, usageError{c.CommandPath(), fmt.Errorf("--due takes a day and a time, as 2026-12-01T06:00, not %q", o.due)}
}

// orderText is an order in words.
func orderText(o coordinator.Order) string {
	class := o.Class
	if class == "" {
		class = queue.Overnight
	}
	if o.Due.IsZero() {
		return string(class) + ", no due date"
	}
	text := string(class) + ", due " + clock(o.Due)
	if o.Due.Before(time.Now()) {
		text += ", which is past"
	}
	return text
}

// clock is a moment as people on this machine say it; another year's has the
// year, so that a slip of the pen shows.
func clock(t time.Time) string {
	t = t.Local()
	if t.Year() != time.Now().Year() {
		return t.Format("Mon 2 Jan 2006 15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}
