package dbc_test

import (
	"fmt"

	"joltwatch/stream/dbc"
)

// What is wrong inside a definition does not keep the rest from being read.
func ExampleParse() {
	f := dbc.Parse("example.dbc", []byte(`BO_ 289 EngineData: 8 Engine
 SG_ EngineSpeed : 7|16@0+ (0.25,0) [0|16063.75] "rpm" Logger
 SG_ EngineTorque : 23|16@0+ (0.05,-1000) [-1000|2212.75] "Nm" Logger
 SG_ Supply : 60|16@1+ (1,0) [0|0] "V" Logger
`))
	for _, m := range f.Messages {
		fmt.Println(m.Name, m.Size, "bytes")
		for _, s := range m.Signals {
			fmt.Printf("  %s in %s, %g a bit from %g on\n", s.Name, s.Unit, s.Factor, s.Offset)
		}
	}
	for _, p := range f.Problems {
		fmt.Println(p)
	}
	// Output:
	// EngineData 8 bytes
	//   EngineSpeed in rpm, 0.25 a bit from 0 on
	//   EngineTorque in Nm, 0.05 a bit from -1000 on
	//   Supply in V, 1 a bit from 0 on
	// example.dbc:4:2: signal EngineData.Supply ends in byte 9, the message has 8
}
