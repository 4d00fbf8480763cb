// Command commonvat-module-compare-orders is the module compare-orders as a process. A host starts it.
package main

import (
	"github.com/commonvat/commonvat/plugins/compare"
	"github.com/commonvat/commonvat/plugins/sdk"
)

func main() { sdk.Serve(compare.Module()) }
