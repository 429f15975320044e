' Streams the flange pose while the arm is guided by hand. It moves nothing and reads no reply but that to hello.
' The PC takes the pairs by itself while the arm rests; the operator begins and finishes there.
'
' CAUTION. Hand guiding only with the function that the manufacturer provides for it, by its manual and the rules of your
' site, with the enabling device. No reply of the PC is a safety signal. Stop the program to end it.

' 6, or 4 for an arm with U only: then [robot] rotation = "angle-z".
#define AXES 6
Global Boolean bGuiding

Function guide
  Tool 0
  bGuiding = False
  Do While True
    If bGuiding = True Then
      Call SendPose
      Wait 0.02
    Else
      CloseNet #201
      Wait 1
      Call OpenGuide
    EndIf
  Loop
Fend

' hello makes this connection the one that is listened to.
Function OpenGuide
  String sReply$, sField$(0)
  Long iFields
  OnErr GoTo failed
  SetNet #201, "192.168.1.10", 4750, LF, NONE, 10
  OpenNet #201 As Client
  WaitNet #201, 10
  Print #201, "hello 0"
  Line Input #201, sReply$
  iFields = ParseStr(sReply$, sField$(), ",")
  If Val(sField$(0)) <= 9 Then
    bGuiding = True
  EndIf
  Exit Function
failed:
  bGuiding = False
  EResume ended
ended:
Fend

Function SendPose
  String sText$
  OnErr GoTo failed
  sText$ = "pose " + FmtStr$(CX(Here), "0.000") + " " + FmtStr$(CY(Here), "0.000") + " " + FmtStr$(CZ(Here), "0.000")
  sText$ = sText$ + " " + FmtStr$(CU(Here), "0.0000")
  If AXES = 6 Then
    sText$ = sText$ + " " + FmtStr$(CV(Here), "0.0000") + " " + FmtStr$(CW(Here), "0.0000")
  EndIf
  Print #201, sText$
  Exit Function
failed:
  bGuiding = False
  EResume ended
ended:
Fend
