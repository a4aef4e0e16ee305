// Package page serves the pages that people use: the barn page on the vet's
// laptop, and the clinic and owner pages on the practice's server. All are
// HTML made here by templates over the services of the same process; one style
// sheet and one small script of our own come with them and nothing is loaded
// from elsewhere.
//
// How a page works:
//
//   - Reading is a GET. Every page can be read and used without the script; with
//     it, clocks run, alarms sound, and parts marked data-live are fetched again
//     when the replica says that something was saved (server-sent events).
//   - Writing is a POST of a form that was made from the rules beside the fields
//     of the event, read by package typed, and answered by a redirect. Each form
//     carries a request id: a double click, two tabs or the back button make one
//     record. What was typed stays when it is refused.
//   - Nobody signs a POST by accident: a session is opened by a one-time address,
//     its cookie is bound to this replica, and each POST proves its origin and a
//     token of the session. Host names are checked against DNS rebinding.
//
// Every sentence stands in one catalogue, english.txt: templates and code say it by
// its key. What services answer (states, cautions, dated lists) comes in their own
// words.
//   - Who writes is a matter of the browser: known by a PIN, or with 'no proof'. A
//     locked browser shows what runs in all its tabs, and hides the rest; nothing of
//     'Slower', 'Clamp shut', 'Stop and treat' and vitals ever asks who it is. What
//     is noted there is signed later, and what a locked browser sends is not lost.
//
// The words rule: the program advises and records; the label, local law and the
// treating vet decide. Never a green 'safe'.
package web
