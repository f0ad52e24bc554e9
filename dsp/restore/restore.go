// Package restore takes out of a recording what isn't the narrator: noise of
// the room, clicks of the mouth and of the machine, pops of breath on the
// microphone.
//
// A stage that finds nothing gives back the bits of its input, late by its
// latency. No stage remembers anything longer than 8 s, and each says by Settle
// how long it does.
package restore
