// Package web is the pages that people use: the barn page on the vet's laptop, and
// the clinic and owner pages on the practice's server. Its table of addresses leads
// into the rooms; New makes them over one replica, and its Serve and ServePhones
// answer until their contexts end.
//
//	barn, clinic, owner   the pages, each room with its own templates
//	machine               the pages about this machine: PIN, phones, cases carried to it
//	caseview, form        one case as its pages read it; one event as its form
//	site                  what all pages share: session, door, layout, who writes
//	words                 every sentence of the pages, numbers and times for people
//
// Rooms import what stands below them in this list, and never each other.
//
// How a page works:
//
//   - Reading is a GET. Every page can be read and used without the script; with
//     it, clocks run, alarms sound, and parts marked data-live are fetched again
//     when the replica says that something was saved (server-sent events).
//   - Writing is a POST of a form that was made from the rules beside the fields
//     of the event, and is answered by a redirect. Each form carries a request id:
//     a double click, two tabs or the back button make one record. What was typed
//     stays when it is refused.
//   - One style sheet and one small script of our own come with the pages; nothing
//     is loaded from elsewhere, and a page shows nothing that a command cannot print.
//
// The words rule: the program advises and records; the label, local law and the
// treating vet decide. Never a green 'safe'.
package web
