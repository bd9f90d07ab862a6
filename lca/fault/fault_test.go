package fault_test

import (
	"fmt"
	"testing"

	"slabledger/lca/fault"
)

// RFC 6901, section 5, example: the pointers of "a/b" and "m~n".
func ExamplePath_At() {
	fmt.Println(fault.Path("").At("a/b"), fault.Path("").At("m~n"), fault.Path("/alternatives").At(0, "slab", "thickness"))
	// Output: /a~1b /m~0n /alternatives/0/slab/thickness
}

func TestListKeepsEveryFaultInOrder(t *testing.T) {
	var l fault.List
	if !l.Empty() || l.Len() != 0 {
		t.Error("a new list is not empty")
	}
	l.Add("/a", "first", "%d", 1)
	l.Append(fault.Fault{Code: "second", Pointer: "/b"})
	if l.Empty() || l.Len() != 2 || l.All()[0].Detail != "1" || l.All()[1].Code != "second" {
		t.Errorf("%+v", l.All())
	}
}
