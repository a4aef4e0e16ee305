// Package site is what all pages share. A Site is the pages over one replica; the
// rooms register theirs with Page, Both, Here, Upload or Open, and a handler gets a
// Request: the request of a browser that is signed in, with its answer.
//
// What happens to a request, in this order:
//
//  1. The door: the host is checked against DNS rebinding, and a POST proves that
//     a page of ours sent it (ServeHTTP; phones come in by ServePhones, over TLS).
//  2. The session: opened once by a one-time address or a phone's code; its cookie
//     is bound to this replica. Each POST carries the session's token.
//  3. The lock: who writes is a matter of the browser, known by a PIN, or with 'no
//     proof'. A locked browser shows what runs in all its tabs, and hides the rest;
//     nothing of 'Slower', 'Clamp shut', 'Stop and treat' and vitals ever asks who
//     it is, and what a locked browser sends is not lost.
//  4. The handler reads with Request.Read, and ends with Render, RenderCase or
//     Redirect. An error that it returns is told as a page.
//
// The frame around a page (layout, the header of its case, holds that take the
// screen, what was saved before) is made by Render alone.
//
// A handler never keeps a Request, and no page is made without a session but the
// door itself.
package site
