// Package barn is the pages at the patient: what runs and what is due, the list of
// cases, and the path of a case from the question who it is to the recheck. It knows
// too what a locked browser still shows.
//
// CaseSteps is the table of the path's pages. A step names its event and fields, and
// adds what its page needs by preparing it; a POST goes to its form, unless the step
// saves in its own way. What is right for this patient is asked of package engine,
// and the advice is shown with its arithmetic and sources.
//
// 'Stop and treat' never waits for a record: its page is shown even when nothing can
// be written.
package barn
