// Package webtest is a person at a real browser, for tests of pages. The person
// presses only what can be seen and reached, types key by key, and looks at the
// page until it says what is waited for. What was done is counted, so that a task
// can be weighed.
//
//	ctx := webtest.Chromium(t, 2*time.Minute)
//	tab := webtest.NewTab(t, ctx)
//	tab.Open(url)
//	tab.Type("dam_name", "Quiet Harbour")
//	tab.Choose("kind", "foal")
//	tab.Press("Open the case")
//	tab.Sees("h1", "Risk of neonatal isoerythrolysis")
//
// Nothing here sleeps for a fixed time: every wait is for something that the page
// shows, and ends with what the page showed instead.
package webtest
