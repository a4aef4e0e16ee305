// Package rehearse plays a night that nothing hangs on: a practice of its own on this
// laptop, with invented stock and a foal, through which a vet goes with the real pages
// before the first real night. On the way a batch is put on hold, the link is lost and
// the foal reacts.
//
// It runs the real server and the real agent, both in this process, in a new folder
// under keys of its own that are in this process's memory alone. Its laptop knows no
// server but that one, through a wire that the script cuts. The practice is marked as a
// rehearsal from its first record on (trust.Joined), and whatever shows, prints or
// writes something of a marked practice says so.
//
// What happens is a function of what the vet entered: scene.go reads the case and says
// what goes on, director.go does what the clinic and the network do then. The clocks of
// both programs run ahead of the machine's as far as the vet lets time pass.
//
// While it runs, it asks the real agent of this laptop what stands and is due there,
// and its pages tell that: nobody misses a real patient for an invented one. It asks,
// and never writes.
package rehearse
