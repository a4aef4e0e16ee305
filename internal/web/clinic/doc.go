// Package clinic is the pages of the store: what asks for somebody's attention, the
// stock by place, deliveries with their stickers, loading and counting, one bag's
// history, batches with their holds and who has heard of them, and the list of what
// a practice enters about itself.
//
// Its pages ask the reading services and word their answers; they write by package
// form alone, and reckon nothing about a patient.
package clinic
