// Package browser holds no program: its tests use the pages as a person does. They
// run the whole daemon on a simulated machine, and Chromium without a window.
//
// A test finds what it presses and fills by role and name, as assistive technology
// does, so that a control without a name cannot be used here either. Every page
// that is looked at is held to the rules of rules.js, to the content policy, and to
// asking nobody but this computer. `make screens` keeps pictures of every step in
// build/screens; a person should look at them.
//
// Without Chromium the tests skip, which .ci/needs reports.
package browser
