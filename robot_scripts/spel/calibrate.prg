' Calibration of a camera: moves to the taught waypoints, stops, and sends one line with the flange pose at each.
' Wire: plain TCP to [robot] listen of the station file; mm, U V W in degrees; see ../README.md.
'
' CAUTION. The rules of your site and the manual of the controller take precedence over everything here.
' - Automatic mode: nobody in the cell. Teach mode: low power, at most 250 mm/s at the tool.
' - To stop: release the enabling device, or press stop or emergency stop. Whoever watches has one within reach.
' - Board, camera and cables change what the arm can collide with: approach each waypoint slowly the first time.
' - No reply of the PC is a safety signal. Eyebolt commands no motion; this program does, and it is yours.

' ---- Adapt from here
' 1 once the points P1 to P12 were taught with Tool 0 and Local 0 and were driven to at low power.
#define TAUGHT 0
#define LAST_POINT 12
' 6, or 4 for an arm with U only: then [robot] rotation = "angle-z".
#define AXES 6
' The ruler: from P1 two moves sideways and one along the line of sight, mm, in the axes of the flange.
#define RULER 100
#define SETTLE_S 0.5
' The point that the result is read into: base to camera, or flange to camera with the camera on the arm.
#define CAMERA_POINT 98
' ---- to here

Global Boolean bLinked, bGot, bGivenUp
Global Long iSeq, iWanted, iStep
' The newest reply: code, seq, count, aux; or code, seq and the numbers of a result.
Global Long iCode, iCount, iAux, iFields
Global Real rValue(8)

Function calibrate
  If TAUGHT = 0 Then
    Print "Teach the points, then set TAUGHT to 1."
    Exit Function
  EndIf
  Tool 0
  Motor On
  Power Low
  Speed 10
  Accel 10, 10
  SpeedS 100
  AccelS 100
  bGivenUp = False
  bLinked = False
  iSeq = 0
  iWanted = 1
  Call Rejoin
  ' Steps 1 to 4: P1 and the ruler; from 5 on P2 and so on.
  Do While iStep <= LAST_POINT + 3 And iWanted > 0 And bGivenUp = False
    Call DriveTo(iStep)
    Call Take("capture")
    If iCode <= 9 And iAux = 0 Then
      iWanted = 0
    EndIf
    iStep = iStep + 1
  Loop
  ' The first waypoint again, as a check: it shows whether camera or board creeps.
  If bGivenUp = False Then
    Call DriveTo(1)
    Call Take("check")
  EndIf
  If bGivenUp = False Then
    Call Finish
  EndIf
  If bGivenUp = False Then
    Call ReadResult
  EndIf
  Call CloseLink
  If bGivenUp = True Then
    Print "Given up; an open session is rejoined at the next start. Code ", iCode
  EndIf
Fend

' The first step into iStep. An open session goes on, unless a stop ended it or the operator wants a new one.
Function Rejoin
  Long iKept, iAnswer
  iStep = 1
  iAnswer = 2
  Call Exchange("hello " + Str$(iSeq))
  If iCode > 9 Then
    bGivenUp = True
  EndIf
  If bGivenUp = False Then
    ' The last number in use; 0 if no session is open.
    iSeq = iAux
    iKept = iCount
    If iSeq > 0 And iKept > 0 Then
      Call Request("again " + Str$(iSeq))
      If iCode <= 30 And bGivenUp = False Then
        Print "A session is open, pairs kept: ", iKept
        Print "1 go on, 2 begin a new one (if anything in the cell was changed): "
        Input iAnswer
      EndIf
    EndIf
  EndIf
  If bGivenUp = False Then
    If iAnswer = 1 Then
      Call Exchange("status " + Str$(iSeq))
      iWanted = iAux
      ' At least as many waypoints were visited as pairs are kept.
      iStep = iKept + 1
    Else
      iSeq = iSeq + 1
      Call Request("begin " + Str$(iSeq))
      If iCode > 9 Then
        bGivenUp = True
      EndIf
    EndIf
  EndIf
Fend

' Go and Move end in a stop; no CP.
Function DriveTo(iGoal As Long)
  Select iGoal
    Case 1
      Go P1
    Case 2
      Move P1 +TLX(RULER)
    Case 3
      Move P1 +TLY(RULER)
    Case 4
      Move P1 +TLZ(-RULER)
    Default
      Go P(iGoal - 3)
  Send
  WaitPos
Fend

' A capture or a check where the arm stands; once more under a new number if it is refused.
Function Take(sVerb$ As String)
  Long iTries, iAnswer
  Boolean bDone
  iTries = 0
  bDone = False
  Do While bDone = False And bGivenUp = False
    Wait SETTLE_S
    iTries = iTries + 1
    iSeq = iSeq + 1
    Call Request(sVerb$ + " " + Str$(iSeq) + PoseText$())
    If bGivenUp = True Then
      bDone = True
    Else
      Select Int(iCode / 10)
        Case 0
          ' Kept.
          bDone = True
        Case 2
          ' Refused here: once more, then on to the next waypoint.
          Print "Refused here, code ", iCode
          If iTries >= 2 Then
            bDone = True
          EndIf
        Case 3
          ' Stop: the operator looks at the screen of the PC and decides.
          Print "STOP, see the screen of the PC. Code ", iCode
          Print "Cause removed? 1 again, 2 give up: "
          Input iAnswer
          iTries = 0
          If iAnswer <> 1 Then
            bGivenUp = True
          EndIf
        Default
          ' 40 to 49: the program or the station file is to be corrected.
          bGivenUp = True
      Send
    EndIf
  Loop
Fend

' The last solve; the session is closed if the result is within the tolerance, else it stays open for more waypoints.
Function Finish
  iSeq = iSeq + 1
  Call Request("solve " + Str$(iSeq))
  If bGivenUp = False Then
    Select Int(iCode / 10)
      Case 0
        Print "Solved. Upper bound of the error, um: ", iAux
        iSeq = iSeq + 1
        Call Request("bye " + Str$(iSeq))
        If iCode > 9 Then
          bGivenUp = True
        EndIf
      Case 2
        Print "No result within the tolerance, the session stays open. Code ", iCode
      Case 3
        Print "STOP, see the screen of the PC; the session stays open. Code ", iCode
      Default
        bGivenUp = True
    Send
  EndIf
Fend

' The accepted transform, on the operator's key only, and taken over only on a second one.
Function ReadResult
  Long iAnswer
  iAnswer = 1
  Do While iAnswer = 1 And bGivenUp = False
    Print "Result accepted on the PC? 1 read it, 2 end: "
    Input iAnswer
    If iAnswer = 1 Then
      iSeq = iSeq + 1
      Call Exchange("result " + Str$(iSeq))
      If bGivenUp = False Then
        If iCode = 0 And iFields = AXES + 2 Then
          ' Old minus new of each number.
          Print "old - new X, mm: ", CX(P(CAMERA_POINT)) - rValue(3)
          Print "old - new Y, mm: ", CY(P(CAMERA_POINT)) - rValue(4)
          Print "old - new Z, mm: ", CZ(P(CAMERA_POINT)) - rValue(5)
          Print "old - new U, deg: ", CU(P(CAMERA_POINT)) - rValue(6)
          If AXES = 6 Then
            Print "old - new V, deg: ", CV(P(CAMERA_POINT)) - rValue(7)
            Print "old - new W, deg: ", CW(P(CAMERA_POINT)) - rValue(8)
          EndIf
          Print "Take the new numbers? 1 take, 2 keep the old ones: "
          Input iAnswer
          If iAnswer = 1 Then
            If AXES = 6 Then
              P(CAMERA_POINT) = XY(rValue(3), rValue(4), rValue(5), rValue(6), rValue(7), rValue(8))
            Else
              P(CAMERA_POINT) = XY(rValue(3), rValue(4), rValue(5), rValue(6))
            EndIf
            SavePoints "robot1.pts"
          EndIf
          iAnswer = 2
        Else
          Print "No result is handed out, code ", iCode
        EndIf
      EndIf
    EndIf
  Loop
Fend

' The flange pose: Tool 0 and Local 0, read once the arm stands.
Function PoseText$ As String
  String sText$
  sText$ = " " + FmtStr$(CX(Here), "0.000") + " " + FmtStr$(CY(Here), "0.000") + " " + FmtStr$(CZ(Here), "0.000")
  sText$ = sText$ + " " + FmtStr$(CU(Here), "0.0000")
  If AXES = 6 Then
    sText$ = sText$ + " " + FmtStr$(CV(Here), "0.0000") + " " + FmtStr$(CW(Here), "0.0000")
  EndIf
  PoseText$ = sText$
Fend

' The line and its final reply: while the code is 10 to 19, stand still and poll.
Function Request(sLine$ As String)
  Long iPolls
  iPolls = 0
  Call Exchange(sLine$)
  Do While Int(iCode / 10) = 1 And iPolls < 60 And bGivenUp = False
    iPolls = iPolls + 1
    Wait 0.5
    Call Exchange("again " + Str$(iSeq))
  Loop
  If Int(iCode / 10) = 1 Then
    bGivenUp = True
  EndIf
Fend

' The line and its reply, up to three times, each on a new connection. The same line again is answered from the record.
Function Exchange(sLine$ As String)
  Long iTries
  iTries = 0
  bGot = False
  iCode = 99
  Do While bGot = False And iTries < 3
    iTries = iTries + 1
    If bLinked = False Then
      Call OpenLink
    EndIf
    If bLinked = True Then
      Call SendAndRead(sLine$)
    EndIf
    If bGot = False Then
      Call CloseLink
    EndIf
  Loop
  If bGot = False Then
    Print "No reply of the PC (99: daemon, cable?), or refused. Code ", iCode
    bGivenUp = True
  EndIf
Fend

' Connect and say hello, which takes the station over from a connection that is dead.
Function OpenLink
  OnErr GoTo failed
  SetNet #201, "192.168.1.10", 4750, LF, NONE, 10
  OpenNet #201 As Client
  WaitNet #201, 10
  Call SendAndRead("hello " + Str$(iSeq))
  If bGot = True And iCode <= 9 Then
    bLinked = True
  EndIf
  bGot = False
  Exit Function
failed:
  bLinked = False
  bGot = False
  EResume ended
ended:
Fend

Function CloseLink
  CloseNet #201
  bLinked = False
Fend

' Print adds the terminator of SetNet. Line Input waits for as long as SetNet states, and then fails.
Function SendAndRead(sLine$ As String)
  String sReply$, sField$(0)
  Long i
  OnErr GoTo failed
  bGot = False
  Print #201, sLine$
  Do While bGot = False
    Line Input #201, sReply$
    iFields = ParseStr(sReply$, sField$(), ",")
    For i = 1 To iFields
      If i <= 8 Then
        rValue(i) = Val(sField$(i - 1))
      EndIf
    Next i
    ' A reply to another line is none: read on.
    If iFields >= 4 And rValue(2) = iSeq Then
      bGot = True
    EndIf
  Loop
  iCode = rValue(1)
  iCount = rValue(3)
  iAux = rValue(4)
  Exit Function
failed:
  bGot = False
  EResume ended
ended:
Fend
