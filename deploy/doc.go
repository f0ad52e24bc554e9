// Package deploy holds what an operator starts from: the broker's
// configuration, storage policies, a compose file, units, settings, alert
// rules. Its tests hold each file against the program that will read it, and
// who may do what against real servers.
package deploy
