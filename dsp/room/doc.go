// Package room holds what a small room does to a voice: the physics that its
// dimensions and panels foretell, and what a recording tells of its resonances
// and reflections.
//
// Lengths are in metres, frequencies in Hz. It knows no form, no chain and no
// advice: what a resonance means is for its callers.
package room
