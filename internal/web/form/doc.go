// Package form makes a form of an event and a record of a form. New makes it from
// the rules beside the fields of the event, in the order of the contract or that of
// a page; a page may then fix a value (Set), ask for a field (Want) or fold it away
// (Less). Sent, Post and PostTo read what was sent and write the record; when it was
// refused, the form itself shows why and keeps what was typed.
//
// Write makes a record for which nothing is typed: one press of one button.
//
// A form never decides what is right: package input reads each field, and the
// service that writes checks and cautions. It never asks a locked browser who it is.
package form
