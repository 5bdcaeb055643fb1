REM Fills the worksheet `precision.xlsx` that `start` writes for the design of tests/test_written_files.py, and saves it.
REM soffice --headless "macro:///Standard.Module1.Fill(file:///.../precision.xlsx,file:///.../libreoffice-precision.xlsx)"
Sub Fill(template As String, filled As String)
  Dim none()
  doc = StarDesktop.loadComponentFromURL(template, "_blank", 0, none())
  sheet = doc.Sheets.getByIndex(0)
  results = Array("4.01", "2.07", "2.05", "3.96", "3.98", "2.03", "4.11", "2.02")
  For i = 1 To 8
    For c = 0 To 12
      cell = sheet.getCellByPosition(c, i)
      Select Case sheet.getCellByPosition(c, 0).String
        Case "preparation": cell.FormulaLocal = "B" & i
        Case "result [%]": cell.FormulaLocal = results(i - 1)
        Case "time": cell.FormulaLocal = "2026-07-0" & (1 + (i - 1) \ 4) & " 08:" & (10 + i)
        Case "analyst": cell.FormulaLocal = "A1"
        Case "instrument": cell.FormulaLocal = "SAW-1"
        Case "note": If i = 3 Then cell.FormulaLocal = "drop fell twice"
      End Select
    Next c
  Next i
  Dim args(0) As New com.sun.star.beans.PropertyValue
  args(0).Name = "FilterName"
  args(0).Value = "Calc MS Excel 2007 XML"
  doc.storeToURL(filled, args())
  doc.close(True)
End Sub
