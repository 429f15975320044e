' Streams the flange pose while the arm is guided by hand. It moves nothing and reads no reply but that to hello.
' The PC takes the pairs by itself while the arm rests; the operator begins and finishes there.
' The port COM3: is mapped to a client connection to the PC by parameters; Print ends a line with CR.
'
' CAUTION. Hand guiding only with the function that the manufacturer provides for it, by its manual and the rules of your
' site, with the enabling switch. No reply of the PC is a safety signal. Stop the program to end it.
Def Long MPrint
MLinked = 0
Tool P_NTool
Base P_NBase
While 1
  If MLinked = 1 Then
    Dly 0.02
    PHere = P_Fbc
    CLine$ = "pose"
    GoSub *SPOSE
    Print #1, CLine$
    MLinked = M_Open(1)
  Else
    Close #1
    Dly 1
    GoSub *SOPEN
  EndIf
WEnd
End
'
' hello makes this connection the one that is listened to; Input waits for the reply, stop the program if none comes.
*SOPEN
  Open "COM3:" As #1
  Dly 1
  If M_Open(1) = 1 Then
    Print #1, "hello 0"
    Input #1, MCode, MSeq, MCount, MAux
    If MCode <= 9 Then MLinked = 1
  EndIf
Return
'
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
