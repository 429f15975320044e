' Calibration of a camera: moves to the taught waypoints, stops, and sends one line with the flange pose at each.
' Wire: plain TCP to [robot] listen of the station file; mm, A B C in degrees; see ../README.md.
' The port COM3: is mapped to a client connection to the PC by parameters; Print ends a line with CR.
'
' CAUTION. The rules of your site and the manual of the controller take precedence over everything here.
' - Automatic mode: nobody in the cell. Teach mode: reduced speed, at most 250 mm/s at the tool.
' - To stop: release the enabling switch, or press stop or emergency stop. Whoever watches has one within reach.
' - Board, camera and cables change what the arm can collide with: approach each waypoint slowly the first time.
' - No reply of the PC is a safety signal. Eyebolt commands no motion; this program does, and it is yours.
'
' The language has no dialog: two buttons at the inputs MYes and MNo answer the question MAsk (on the variable monitor):
'   1 go on with the open session (no: a new one, if anything in the cell was changed)   2 cause of the stop removed
'   3 read the accepted result   4 take the new numbers (MDiff(1) to MDiff(6): old minus new)
' MEnd tells how the program ended: 1 complete, 2 waypoints not taught, 3 given up at the code MCode, 4 no reply
' (MCode = 99), or hello was refused.
Dim PW(12)
Dim MV(8)
Dim MDiff(6)
Def Long MPrint
' ---- Adapt from here
' 1 once PW(1) to PW(12) were taught with P_NTool and P_NBase and were driven to at reduced speed.
MTaught = 0
MLast = 12
' The ruler: from PW(1) two moves sideways and one along the line of sight, mm, in the axes of the flange.
MRuler = 100
MSettle = 0.5
MYes = 10
MNo = 11
' The result is read into P_100: base to camera, or flange to camera with the camera on the arm.
' ---- to here
MEnd = 2
MGiveUp = 0
MLinked = 0
MNumbers = 4
MSeq = 0
MWanted = 1
MCode = 0
If MTaught = 1 Then
  MEnd = 1
  Tool P_NTool
  Base P_NBase
  Ovrd 10
  Spd 100
  Cnt 0
  Fine 0.05, P
  GoSub *SREJOIN
  ' Steps 1 to 4: waypoint 1 and the ruler; from 5 on waypoint 2 and so on.
  While MStep <= MLast + 3 And MWanted > 0 And MGiveUp = 0
    MGoal = MStep
    GoSub *SDRIVE
    CVerb$ = "capture "
    GoSub *STAKE
    If MCode <= 9 And MAux = 0 Then MWanted = 0
    MStep = MStep + 1
  WEnd
  ' The first waypoint again, as a check: it shows whether camera or board creeps.
  If MGiveUp = 0 Then
    MGoal = 1
    GoSub *SDRIVE
    CVerb$ = "check "
    GoSub *STAKE
  EndIf
  If MGiveUp = 0 Then GoSub *SFINISH
  If MGiveUp = 0 Then GoSub *SRESULT
  GoSub *SCLOSE
EndIf
End
'
' The first step into MStep. An open session goes on, unless a stop ended it or the operator wants a new one.
*SREJOIN
  MStep = 1
  MAns = 2
  CVerb$ = "hello "
  GoSub *SVERB
  GoSub *SEXCH
  If MCode > 9 Then GoSub *SGIVEUP
  If MGiveUp = 0 Then
    ' The last number in use; 0 if no session is open.
    MSeq = MAux
    MKept = MCount
    If MSeq > 0 And MKept > 0 Then
      CVerb$ = "again "
      GoSub *SVERB
      GoSub *SREQ
      If MCode <= 30 And MGiveUp = 0 Then
        MAsk = 1
        GoSub *SASK
      EndIf
    EndIf
  EndIf
  If MGiveUp = 0 Then
    If MAns = 1 Then
      CVerb$ = "status "
      GoSub *SVERB
      GoSub *SEXCH
      MWanted = MAux
      ' At least as many waypoints were visited as pairs are kept.
      MStep = MKept + 1
    Else
      MSeq = MSeq + 1
      CVerb$ = "begin "
      GoSub *SVERB
      GoSub *SREQ
      If MCode > 9 Then GoSub *SGIVEUP
    EndIf
  EndIf
Return
'
*SDRIVE
  PShift = P_Zero
  Select MGoal
  Case 1
    Mov PW(1)
  Break
  Case 2
    PShift.X = MRuler
    Mvs PW(1) * PShift
  Break
  Case 3
    PShift.Y = MRuler
    Mvs PW(1) * PShift
  Break
  Case 4
    PShift.Z = -MRuler
    Mvs PW(1) * PShift
  Break
  Default
    Mov PW(MGoal - 3)
  Break
  End Select
Return
'
' A capture or a check where the arm stands; once more under a new number if it is refused.
*STAKE
  MTakes = 0
  MDone = 0
  While MDone = 0 And MGiveUp = 0
    Dly MSettle
    PHere = P_Curr
    MTakes = MTakes + 1
    MSeq = MSeq + 1
    CTaken$ = CVerb$
    GoSub *SVERB
    GoSub *SPOSE
    GoSub *SREQ
    CVerb$ = CTaken$
    If MGiveUp = 1 Then
      MDone = 1
    Else
      Select MCode
      Case 0 To 9
        ' Kept.
        MDone = 1
      Break
      Case 20 To 29
        ' Refused here: once more, then on to the next waypoint.
        If MTakes >= 2 Then MDone = 1
      Break
      Case 30 To 39
        ' Stop: the operator looks at the screen of the PC and decides.
        MAsk = 2
        GoSub *SASK
        MTakes = 0
        If MAns = 2 Then GoSub *SGIVEUP
      Break
      Default
        ' 40 to 49: the program or the station file is to be corrected.
        GoSub *SGIVEUP
      Break
      End Select
    EndIf
  WEnd
Return
'
' The last solve; the session is closed if the result is within the tolerance, else it stays open for more waypoints.
*SFINISH
  MSeq = MSeq + 1
  CVerb$ = "solve "
  GoSub *SVERB
  GoSub *SREQ
  If MGiveUp = 0 Then
    Select MCode
    Case 0 To 9
      ' Upper bound of the error, um.
      MBound = MAux
      MSeq = MSeq + 1
      CVerb$ = "bye "
      GoSub *SVERB
      GoSub *SREQ
      If MCode > 9 Then GoSub *SGIVEUP
    Break
    Case 20 To 39
      ' No result within the tolerance, see the screen of the PC.
      GoSub *SGIVEUP
    Break
    Default
      GoSub *SGIVEUP
    Break
    End Select
  EndIf
Return
'
' The accepted transform, on the operator's key only, and taken over only on a second one.
*SRESULT
  MDone = 0
  While MDone = 0 And MGiveUp = 0
    MAsk = 3
    GoSub *SASK
    If MAns = 1 Then
      MSeq = MSeq + 1
      CVerb$ = "result "
      GoSub *SVERB
      MNumbers = 8
      GoSub *SEXCH
      MNumbers = 4
      If MGiveUp = 0 And MCode = 0 Then
        ' A component of an angle is in radians.
        MDiff(1) = P_100.X - MV(3)
        MDiff(2) = P_100.Y - MV(4)
        MDiff(3) = P_100.Z - MV(5)
        MDiff(4) = Deg(P_100.A) - MV(6)
        MDiff(5) = Deg(P_100.B) - MV(7)
        MDiff(6) = Deg(P_100.C) - MV(8)
        MAsk = 4
        GoSub *SASK
        If MAns = 1 Then
          P_100.X = MV(3)
          P_100.Y = MV(4)
          P_100.Z = MV(5)
          P_100.A = Rad(MV(6))
          P_100.B = Rad(MV(7))
          P_100.C = Rad(MV(8))
        EndIf
        MDone = 1
      EndIf
    Else
      MDone = 1
    EndIf
  WEnd
Return
'
' A verb with the number MSeq into CLine$.
*SVERB
  MPrint = 1000000 + MSeq
  CLine$ = CVerb$ + Right$(Str$(MPrint), 6)
Return
'
' Adds the flange pose PHere to CLine$.
*SPOSE
  MBefore = 5
  MBehind = 3
  MX = PHere.X
  GoSub *SNUM
  MX = PHere.Y
  GoSub *SNUM
  MX = PHere.Z
  GoSub *SNUM
  MBefore = 3
  MBehind = 4
  MX = Deg(PHere.A)
  GoSub *SNUM
  MX = Deg(PHere.B)
  GoSub *SNUM
  MX = Deg(PHere.C)
  GoSub *SNUM
Return
'
' Adds MX with MBefore digits before the point and MBehind behind it, zeros included, whatever Str$ does with a fraction.
*SNUM
  MScale = 10 ^ MBehind
  MWhole = Int(Abs(MX) * MScale + 0.5)
  MRest = MWhole - Int(MWhole / MScale) * MScale
  CSign$ = " "
  If MX < 0 Then CSign$ = " -"
  MPrint = 10 ^ MBefore + Int(MWhole / MScale)
  CLine$ = CLine$ + CSign$ + Right$(Str$(MPrint), MBefore)
  MPrint = MScale + MRest
  CLine$ = CLine$ + "." + Right$(Str$(MPrint), MBehind)
Return
'
' CLine$ and its final reply: while the code is 10 to 19, stand still and poll.
*SREQ
  MPolls = 0
  GoSub *SEXCH
  While MCode >= 10 And MCode <= 19 And MPolls < 60 And MGiveUp = 0
    MPolls = MPolls + 1
    Dly 0.5
    CVerb$ = "again "
    GoSub *SVERB
    GoSub *SEXCH
  WEnd
  If MCode >= 10 And MCode <= 19 Then GoSub *SGIVEUP
Return
'
' CLine$ and its reply, up to three times, each on a new connection. The same line again is answered from the record.
*SEXCH
  MTries = 0
  MGot = 0
  MCode = 99
  While MGot = 0 And MTries < 3
    MTries = MTries + 1
    If MLinked = 0 Then GoSub *SOPEN
    If MLinked = 1 Then
      CSent$ = CLine$
      MFields = MNumbers
      GoSub *SSEND
    EndIf
    If MGot = 0 Then GoSub *SCLOSE
  WEnd
  If MGot = 0 Then
    MGiveUp = 1
    MEnd = 4
  EndIf
Return
'
' Connect and say hello, which takes the station over from a connection that is dead.
*SOPEN
  Open "COM3:" As #1
  M_Timer(1) = 0
  While M_Open(1) <> 1 And M_Timer(1) < 10000
  WEnd
  If M_Open(1) = 1 Then
    On Com(1) GoSub *SRECV
    Com(1) On
    MPrint = 1000000 + MSeq
    CSent$ = "hello " + Right$(Str$(MPrint), 6)
    MFields = 4
    GoSub *SSEND
    If MGot = 1 And MCode <= 9 Then MLinked = 1
    MGot = 0
  EndIf
Return
'
*SCLOSE
  Com(1) Off
  Close #1
  MLinked = 0
Return
'
' Sends CSent$; Input alone would wait for ever, so that the reply comes by interrupt, within 10 s.
*SSEND
  MGot = 0
  Print #1, CSent$
  M_Timer(1) = 0
  While MGot = 0 And M_Timer(1) < 10000
  WEnd
Return
'
' The reply: code, seq, count, aux; or code, seq and the six numbers of a result.
*SRECV
  If MFields = 8 Then
    Input #1, MV(1), MV(2), MV(3), MV(4), MV(5), MV(6), MV(7), MV(8)
  Else
    Input #1, MV(1), MV(2), MV(3), MV(4)
  EndIf
  ' A reply to another line is none.
  If MV(2) = MSeq Then
    MCode = MV(1)
    MCount = MV(3)
    MAux = MV(4)
    MGot = 1
  EndIf
Return 0
'
*SASK
  MAns = 0
  While MAns = 0
    If M_In(MYes) = 1 Then MAns = 1
    If M_In(MNo) = 1 Then MAns = 2
  WEnd
  ' Until the button is released.
  While M_In(MYes) = 1 Or M_In(MNo) = 1
  WEnd
Return
'
*SGIVEUP
  MGiveUp = 1
  MEnd = 3
Return
