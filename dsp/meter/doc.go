// Package meter measures sound: levels, loudness, true peak, the active level
// of speech, and the room tone between the words.
//
// Meters take mono samples, or one slice for each channel, at full scale ±1, in
// blocks of any size; what they read does not depend on the size to the bit.
// They keep a few bytes for each 10 ms or 100 ms, never the sound.
package meter
