// Package demo plays one invented foaling night with the real program: a clinic's
// server and two vehicles' agents as processes of their own, each with its own
// store, and a network between them that is really cut.
//
// Everything that happens goes through the services that the commands call; the
// demo has no other way in. It counts every entry that a replica acknowledged
// and looks each of them up on all three replicas at the end.
//
// The hours of the night are told, not waited for: entries carry the time at
// which they happened, as when a vet types them afterwards. The practice lies in
// the time zone where it is four in the morning now, so that the night is over
// now and nothing lies in the future. What is measured (the merge, the time since
// a transfusion began) is measured on the real clock.
//
// All people, places, products and batches are invented.
package demo
