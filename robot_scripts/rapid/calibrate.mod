MODULE EyeboltCalibrate
    ! Calibration of a camera: moves to the taught waypoints, stops, and sends one line with the flange pose at each.
    ! Wire: plain TCP to [robot] listen of the station file; mm, quaternion w first; see ../README.md.
    !
    ! CAUTION. The rules of your site and the manual of the controller take precedence over everything here.
    ! - Automatic mode: nobody in the cell. Manual mode: reduced speed, at most 250 mm/s at the tool.
    ! - To stop: release the enabling device, or press stop or emergency stop. Whoever watches has one within reach.
    ! - Board, camera and cables change what the arm can collide with: approach each waypoint slowly the first time.
    ! - No reply of the PC is a safety signal. Eyebolt commands no motion; this program does, and it is yours.

    ! ---- Adapt from here
    LOCAL CONST string host := "192.168.1.10";
    LOCAL CONST num port := 4750;
    ! TRUE once every waypoint was taught with tool0 and wobj0 and was driven to at reduced speed.
    LOCAL CONST bool taught := FALSE;
    LOCAL CONST num last_waypoint := 12;
    ! The ruler: from waypoint 1 two moves sideways and one along the line of sight, mm, in the axes of the flange.
    ! Teach waypoint 1 with board and camera face to face; change the axes in DriveTo if the flange looks elsewhere.
    LOCAL CONST num ruler := 100;
    LOCAL CONST num settle_s := 0.5;
    LOCAL CONST speeddata slow := [100, 30, 100, 30];
    LOCAL CONST robtarget w1 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w2 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w3 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w4 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w5 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w6 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w7 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w8 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w9 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w10 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w11 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    LOCAL CONST robtarget w12 := [[0, 0, 0], [1, 0, 0, 0], [0, 0, 0, 0], [9E9, 9E9, 9E9, 9E9, 9E9, 9E9]];
    ! The transform that the result is read into: base to camera, or flange to camera with the camera on the arm.
    PERS pose eyebolt_camera := [[0, 0, 0], [1, 0, 0, 0]];
    ! ---- to here

    LOCAL VAR socketdev link;
    LOCAL VAR bool linked := FALSE;
    LOCAL VAR bool got := FALSE;
    LOCAL VAR bool given_up := FALSE;
    LOCAL VAR num seq := 0;
    LOCAL VAR num wanted := 1;
    ! The newest reply: code, seq, count, aux; or code, seq and the seven numbers of a result.
    LOCAL VAR num value{9};
    LOCAL VAR num fields := 0;
    LOCAL VAR num code := 0;
    LOCAL VAR num count := 0;
    LOCAL VAR num aux := 0;

    PROC calibrate()
        VAR num number;
        TPErase;
        IF NOT taught THEN
            TPWrite "Teach the waypoints, then set taught to TRUE.";
            RETURN;
        ENDIF
        given_up := FALSE;
        linked := FALSE;
        seq := 0;
        wanted := 1;
        number := Rejoin();
        ! Steps 1 to 4: waypoint 1 and the ruler; from 5 on waypoint 2 and so on.
        WHILE number <= last_waypoint + 3 AND wanted > 0 AND given_up = FALSE DO
            DriveTo number;
            Take "capture";
            IF code <= 9 AND aux = 0 THEN
                wanted := 0;
            ENDIF
            number := number + 1;
        ENDWHILE
        ! The first waypoint again, as a check: it shows whether camera or board creeps.
        IF NOT given_up THEN
            DriveTo 1;
            Take "check";
        ENDIF
        IF NOT given_up Finish;
        IF NOT given_up ReadResult;
        CloseLink;
        IF given_up THEN
            TPWrite "Given up; a session that is open is rejoined at the next start.";
        ENDIF
    ENDPROC

    ! The number of the first step. An open session goes on, unless a stop ended it or the operator wants a new one.
    LOCAL FUNC num Rejoin()
        VAR num kept;
        VAR num answer := 2;
        Exchange "hello " + NumToStr(seq, 0);
        IF given_up RETURN 1;
        IF code > 9 THEN
            GiveUp "hello";
            RETURN 1;
        ENDIF
        ! The last number in use; 0 if no session is open.
        seq := aux;
        kept := count;
        IF seq > 0 AND kept > 0 THEN
            Request "again " + NumToStr(seq, 0);
            IF given_up RETURN 1;
            IF code <= 30 THEN
                TPWrite "A session is open. Pairs kept: " \Num := kept;
                TPReadFK answer, "Begin a new one if anything in the cell was changed.", "Go on", "New", stEmpty, stEmpty, stEmpty;
            ENDIF
        ENDIF
        IF answer = 1 THEN
            Exchange "status " + NumToStr(seq, 0);
            wanted := aux;
            ! At least as many waypoints were visited as pairs are kept.
            RETURN kept + 1;
        ENDIF
        seq := seq + 1;
        Request "begin " + NumToStr(seq, 0);
        IF code > 9 AND given_up = FALSE GiveUp "begin";
        RETURN 1;
    ENDFUNC

    LOCAL PROC DriveTo(num number)
        TEST number
        CASE 1:
            MoveJ w1, slow, fine, tool0;
        CASE 2:
            MoveL RelTool(w1, ruler, 0, 0), slow, fine, tool0;
        CASE 3:
            MoveL RelTool(w1, 0, ruler, 0), slow, fine, tool0;
        CASE 4:
            MoveL RelTool(w1, 0, 0, -ruler), slow, fine, tool0;
        CASE 5:
            MoveJ w2, slow, fine, tool0;
        CASE 6:
            MoveJ w3, slow, fine, tool0;
        CASE 7:
            MoveJ w4, slow, fine, tool0;
        CASE 8:
            MoveJ w5, slow, fine, tool0;
        CASE 9:
            MoveJ w6, slow, fine, tool0;
        CASE 10:
            MoveJ w7, slow, fine, tool0;
        CASE 11:
            MoveJ w8, slow, fine, tool0;
        CASE 12:
            MoveJ w9, slow, fine, tool0;
        CASE 13:
            MoveJ w10, slow, fine, tool0;
        CASE 14:
            MoveJ w11, slow, fine, tool0;
        CASE 15:
            MoveJ w12, slow, fine, tool0;
        ENDTEST
    ENDPROC

    ! A capture or a check where the arm stands; once more under a new number if it is refused.
    LOCAL PROC Take(string verb)
        VAR num tries := 0;
        VAR bool done := FALSE;
        VAR num answer;
        WHILE done = FALSE AND given_up = FALSE DO
            WaitRob \ZeroSpeed;
            WaitTime settle_s;
            tries := tries + 1;
            seq := seq + 1;
            Request verb + " " + NumToStr(seq, 0) + " " + PoseText();
            IF given_up THEN
                done := TRUE;
            ELSEIF code <= 9 THEN
                ! Kept.
                done := TRUE;
            ELSEIF code <= 29 THEN
                ! Refused here: once more, then on to the next waypoint.
                TPWrite "Refused here, code " \Num := code;
                IF tries >= 2 done := TRUE;
            ELSEIF code <= 39 THEN
                ! Stop: the operator looks at the screen of the PC and decides.
                TPWrite "STOP, see the screen of the PC. Code " \Num := code;
                TPReadFK answer, "Cause removed?", "Again", "Give up", stEmpty, stEmpty, stEmpty;
                tries := 0;
                IF answer = 2 given_up := TRUE;
            ELSE
                GiveUp verb;
            ENDIF
        ENDWHILE
    ENDPROC

    ! The last solve; the session is closed if the result is within the tolerance, else it stays open for more waypoints.
    LOCAL PROC Finish()
        seq := seq + 1;
        Request "solve " + NumToStr(seq, 0);
        IF given_up RETURN;
        IF code > 39 THEN
            GiveUp "solve";
        ELSEIF code > 9 THEN
            TPWrite "No result within the tolerance; the session stays open. Code " \Num := code;
        ELSE
            TPWrite "Solved. Upper bound of the error, um: " \Num := aux;
            seq := seq + 1;
            Request "bye " + NumToStr(seq, 0);
            IF code > 9 AND given_up = FALSE GiveUp "bye";
        ENDIF
    ENDPROC

    ! The accepted transform, on the operator's key only, and taken over only on a second one.
    LOCAL PROC ReadResult()
        VAR num answer := 1;
        WHILE answer = 1 AND given_up = FALSE DO
            TPReadFK answer, "Result accepted on the PC? Read it?", "Read", "End", stEmpty, stEmpty, stEmpty;
            IF answer = 1 THEN
                seq := seq + 1;
                Exchange "result " + NumToStr(seq, 0);
                IF given_up THEN
                    RETURN;
                ELSEIF code = 0 AND fields = 9 THEN
                    ShowDifference;
                    TPReadFK answer, "Take the new numbers?", "Take", "Keep old", stEmpty, stEmpty, stEmpty;
                    IF answer = 1 THEN
                        eyebolt_camera.trans.x := value{3};
                        eyebolt_camera.trans.y := value{4};
                        eyebolt_camera.trans.z := value{5};
                        eyebolt_camera.rot.q1 := value{6};
                        eyebolt_camera.rot.q2 := value{7};
                        eyebolt_camera.rot.q3 := value{8};
                        eyebolt_camera.rot.q4 := value{9};
                        eyebolt_camera.rot := NOrient(eyebolt_camera.rot);
                    ENDIF
                    answer := 2;
                ELSE
                    TPWrite "No result is handed out, code " \Num := code;
                ENDIF
            ENDIF
        ENDWHILE
    ENDPROC

    ! Old minus new of each number; of the rotation, remember that q and -q are the same.
    LOCAL PROC ShowDifference()
        TPWrite "old - new x, mm: " \Num := eyebolt_camera.trans.x - value{3};
        TPWrite "old - new y, mm: " \Num := eyebolt_camera.trans.y - value{4};
        TPWrite "old - new z, mm: " \Num := eyebolt_camera.trans.z - value{5};
        TPWrite "old - new q1: " \Num := eyebolt_camera.rot.q1 - value{6};
        TPWrite "old - new q2: " \Num := eyebolt_camera.rot.q2 - value{7};
        TPWrite "old - new q3: " \Num := eyebolt_camera.rot.q3 - value{8};
        TPWrite "old - new q4: " \Num := eyebolt_camera.rot.q4 - value{9};
    ENDPROC

    ! The flange pose: tool0 and wobj0, read once the arm stands. Three and five decimals: see ../README.md.
    LOCAL FUNC string PoseText()
        VAR robtarget p;
        VAR string text;
        p := CRobT(\Tool := tool0 \WObj := wobj0);
        text := NumToStr(p.trans.x, 3) + " " + NumToStr(p.trans.y, 3) + " " + NumToStr(p.trans.z, 3);
        text := text + " " + NumToStr(p.rot.q1, 5) + " " + NumToStr(p.rot.q2, 5);
        text := text + " " + NumToStr(p.rot.q3, 5) + " " + NumToStr(p.rot.q4, 5);
        RETURN text;
    ENDFUNC

    ! A line and its final reply: while the code is 10 to 19, stand still and poll.
    LOCAL PROC Request(string line)
        VAR num polls := 0;
        Exchange line;
        WHILE code >= 10 AND code <= 19 AND polls < 60 AND given_up = FALSE DO
            polls := polls + 1;
            WaitTime 0.5;
            Exchange "again " + NumToStr(seq, 0);
        ENDWHILE
        IF code >= 10 AND code <= 19 AND given_up = FALSE GiveUp "again";
    ENDPROC

    ! A line and its reply, up to three times, each on a new connection. The same line again is answered from the record.
    LOCAL PROC Exchange(string line)
        VAR num tries := 0;
        got := FALSE;
        code := 99;
        WHILE got = FALSE AND tries < 3 DO
            tries := tries + 1;
            IF NOT linked OpenLink;
            IF linked SendAndRead line;
            IF NOT got CloseLink;
        ENDWHILE
        IF NOT got THEN
            TPWrite "No reply of the PC (99: daemon, cable?), or refused. Code " \Num := code;
            given_up := TRUE;
        ENDIF
    ENDPROC

    ! Connect and say hello, which takes the station over from a connection that is dead.
    LOCAL PROC OpenLink()
        linked := FALSE;
        SocketCreate link;
        SocketConnect link, host, port \Time := 10;
        SendAndRead "hello " + NumToStr(seq, 0);
        linked := got AND code <= 9;
        got := FALSE;
    ERROR
        linked := FALSE;
        got := FALSE;
        RETURN;
    ENDPROC

    LOCAL PROC CloseLink()
        SocketClose link;
        linked := FALSE;
    ENDPROC

    ! No terminator is added by SocketSend, and a reply may arrive in parts.
    LOCAL PROC SendAndRead(string line)
        VAR string text := "";
        VAR string part;
        got := FALSE;
        SocketSend link \Str := line + "\0A";
        WHILE StrFind(text, 1, "\0A") > StrLen(text) DO
            SocketReceive link \Str := part \Time := 10;
            text := text + part;
        ENDWHILE
        Split text;
        ! A reply to another line is none: connect anew.
        got := fields >= 4 AND value{2} = seq;
    ERROR
        got := FALSE;
        RETURN;
    ENDPROC

    ! The numbers between the commas.
    LOCAL PROC Split(string text)
        VAR num first := 1;
        VAR num last;
        VAR bool ok := TRUE;
        fields := 0;
        WHILE ok AND first <= StrLen(text) AND fields < 9 DO
            last := StrFind(text, first, ",\0A");
            ok := StrToVal(StrPart(text, first, last - first), value{fields + 1});
            IF ok fields := fields + 1;
            first := last + 1;
        ENDWHILE
        code := value{1};
        count := value{3};
        aux := value{4};
    ENDPROC

    LOCAL PROC GiveUp(string verb)
        TPWrite verb + ": correct the program or the station file, code " \Num := code;
        given_up := TRUE;
    ENDPROC
ENDMODULE
