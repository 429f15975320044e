MODULE EyeboltGuide
    ! Streams the flange pose while the arm is guided by hand. It moves nothing and waits for no reply but that to hello.
    ! The PC takes the pairs by itself while the arm rests; the operator begins and finishes there.
    !
    ! CAUTION. Hand guiding only with the function that the manufacturer provides for it, by its manual and the rules of
    ! your site, with the enabling device. No reply of the PC is a safety signal. Stop the program to end it.

    LOCAL CONST string host := "192.168.1.10";
    LOCAL CONST num port := 4750;
    LOCAL CONST num interval_s := 0.02;
    LOCAL VAR socketdev link;
    LOCAL VAR bool linked := FALSE;

    PROC guide()
        linked := FALSE;
        WHILE TRUE DO
            IF linked THEN
                SendPose;
                WaitTime interval_s;
            ELSE
                SocketClose link;
                WaitTime 1;
                OpenLink;
            ENDIF
        ENDWHILE
    ENDPROC

    LOCAL PROC OpenLink()
        VAR string reply;
        SocketCreate link;
        SocketConnect link, host, port \Time := 10;
        SocketSend link \Str := "hello 0" + "\0A";
        SocketReceive link \Str := reply \Time := 10;
        ! Codes 0 to 9 have one digit: "0,0,...".
        linked := StrFind(reply, 1, ",") = 2;
        IF NOT linked TPWrite "Refused by the PC: " + reply;
    ERROR
        linked := FALSE;
        RETURN;
    ENDPROC

    ! Where the arm is now: tool0 and wobj0.
    LOCAL PROC SendPose()
        VAR robtarget p;
        VAR string text;
        p := CRobT(\Tool := tool0 \WObj := wobj0);
        text := "pose " + NumToStr(p.trans.x, 3) + " " + NumToStr(p.trans.y, 3) + " " + NumToStr(p.trans.z, 3);
        text := text + " " + NumToStr(p.rot.q1, 5) + " " + NumToStr(p.rot.q2, 5);
        text := text + " " + NumToStr(p.rot.q3, 5) + " " + NumToStr(p.rot.q4, 5);
        SocketSend link \Str := text + "\0A";
    ERROR
        linked := FALSE;
        RETURN;
    ENDPROC
ENDMODULE
